"""Quantiles and tails of the usual distributions, from `scipy.special`.

`scipy.stats` has them all, but takes about a second to import, which every process would pay at its start.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special


def normal_quantile(share: Any) -> Any:
    """Quantile of the standard normal distribution."""
    return special.ndtri(share)


def normal_tail(value: Any) -> Any:
    """Upper tail of the standard normal: the chance of more than ``value``."""
    return special.ndtr(np.negative(value))


def t_quantile(share: Any, degrees: Any) -> Any:
    """Quantile of Student's t; normal where the degrees of freedom are infinite."""
    return np.where(np.isinf(degrees), special.ndtri(share), special.stdtrit(degrees, share))[()]


def t_tail(value: Any, degrees: Any) -> Any:
    """Upper tail of Student's t: the chance of more than ``value``."""
    return special.stdtr(degrees, np.negative(value))


def chi2_quantile(share: Any, degrees: Any) -> Any:
    """Quantile of chi-squared; the degrees of freedom need not be whole."""
    return 2 * special.gammaincinv(np.divide(degrees, 2), share)


def chi2_upper_quantile(share: Any, degrees: Any) -> Any:
    """Upper quantile of chi-squared: the value exceeded with a chance of ``share``."""
    return 2 * special.gammainccinv(np.divide(degrees, 2), share)


def chi2_tail(value: Any, degrees: Any) -> Any:
    """Upper tail of chi-squared: the chance of more than ``value``."""
    return special.gammaincc(np.divide(degrees, 2), np.divide(value, 2))


def chi2_share(value: Any, degrees: Any) -> Any:
    """Distribution function of chi-squared: the chance of at most ``value``."""
    return special.gammainc(np.divide(degrees, 2), np.divide(value, 2))


def poisson_chance(count: Any, mean: Any) -> Any:
    """Probability mass function of a Poisson count."""
    return np.exp(special.xlogy(count, mean) - mean - special.gammaln(np.add(count, 1)))


def poisson_share(count: Any, mean: Any) -> Any:
    """Distribution function of a Poisson count: the chance of at most ``count``."""
    return special.pdtr(count, mean)


def poisson_quantile(share: Any, mean: Any) -> Any:
    """Quantile of a Poisson count: the smallest count not exceeded with a chance of ``share``."""
    count = np.maximum(np.ceil(special.pdtrik(share, mean)), 0)
    before = np.maximum(count - 1, 0)
    return np.where(special.pdtr(before, mean) >= share, before, count)[()]


def negative_binomial_chance(count: Any, size: Any, share: Any) -> Any:
    """Probability mass function of the negative binomial: failures before ``size`` successes of ``share``."""
    ways = special.gammaln(np.add(size, count)) - special.gammaln(np.add(count, 1)) - special.gammaln(size)
    return np.exp(ways + special.xlogy(size, share) + special.xlog1py(count, np.negative(share)))


def negative_binomial_quantile(level: Any, size: Any, share: Any) -> Any:
    """Quantile of a negative binomial: the smallest count not exceeded with a chance of ``level``."""
    if np.ndim(level) == 1 and np.ndim(size) == 0 and np.size(level):
        most = negative_binomial_quantile(np.max(level), size, share)
        if most < np.size(level):  # one cumulative table is cheaper than a search for each
            return np.searchsorted(special.betainc(size, np.arange(most + 1) + 1, share), level) * 1.0
    guess = special.nbdtrik(level, size, share)
    return _smallest(guess, lambda count: special.betainc(size, count + 1, share) >= level)


def negative_binomial_upper_quantile(level: Any, size: Any, share: Any) -> Any:
    """Upper quantile of a negative binomial: the least count exceeded with a chance of at most ``level``."""
    guess = special.nbdtrik(np.subtract(1, level), size, share)
    return _smallest(guess, lambda count: special.betaincc(size, count + 1, share) <= level)


def _smallest(guess: Any, reached: Any) -> Any:
    """Smallest count at which ``reached`` holds, from a guess that may be off by one."""
    count = np.maximum(np.ceil(guess), 0)
    before = np.maximum(count - 1, 0)
    count = np.where(reached(before), before, count)
    return np.where(reached(count), count, count + 1)[()]
