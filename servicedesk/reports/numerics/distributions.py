"""Quantiles and tails of the usual distributions, out of `scipy.special`.

`scipy.stats` has them all, and takes about a second to import, which every process of the desk would pay at
its start.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special


def normal_quantile(share: Any) -> Any:
    """Quantile of the standard normal distribution."""
    return special.ndtri(share)


def normal_tail(value: Any) -> Any:
    """Chance of a standard normal value above one."""
    return special.ndtr(np.negative(value))


def t_quantile(share: Any, degrees: Any) -> Any:
    """Quantile of Student's t; normal where the degrees of freedom are infinite."""
    return np.where(np.isinf(degrees), special.ndtri(share), special.stdtrit(degrees, share))[()]


def t_tail(value: Any, degrees: Any) -> Any:
    """Chance of a value of Student's t above one."""
    return special.stdtr(degrees, np.negative(value))


def chi2_quantile(share: Any, degrees: Any) -> Any:
    """Quantile of chi-squared; the degrees of freedom need not be whole."""
    return 2 * special.gammaincinv(np.divide(degrees, 2), share)


def chi2_upper_quantile(share: Any, degrees: Any) -> Any:
    """Value that chi-squared exceeds with a chance of ``share``."""
    return 2 * special.gammainccinv(np.divide(degrees, 2), share)


def chi2_tail(value: Any, degrees: Any) -> Any:
    """Chance of a value of chi-squared above one."""
    return special.gammaincc(np.divide(degrees, 2), np.divide(value, 2))


def chi2_share(value: Any, degrees: Any) -> Any:
    """Chance of a value of chi-squared up to one."""
    return special.gammainc(np.divide(degrees, 2), np.divide(value, 2))


def poisson_chance(count: Any, mean: Any) -> Any:
    """Chance of just so many of a Poisson count."""
    return np.exp(special.xlogy(count, mean) - mean - special.gammaln(np.add(count, 1)))


def poisson_share(count: Any, mean: Any) -> Any:
    """Chance of at most so many of a Poisson count."""
    return special.pdtr(count, mean)


def poisson_quantile(share: Any, mean: Any) -> Any:
    """Smallest count that a Poisson count stays at or below with a chance of ``share``."""
    count = np.maximum(np.ceil(special.pdtrik(share, mean)), 0)
    before = np.maximum(count - 1, 0)
    return np.where(special.pdtr(before, mean) >= share, before, count)[()]


def negative_binomial_chance(count: Any, size: Any, share: Any) -> Any:
    """Chance of just so many misses before ``size`` hits (need not be whole), each of chance ``share``."""
    ways = special.gammaln(np.add(size, count)) - special.gammaln(np.add(count, 1)) - special.gammaln(size)
    return np.exp(ways + special.xlogy(size, share) + special.xlog1py(count, np.negative(share)))


def negative_binomial_quantile(level: Any, size: Any, share: Any) -> Any:
    """Smallest count that a negative binomial stays at or below with a chance of ``level``."""
    if np.ndim(level) == 1 and np.ndim(size) == 0 and np.size(level):
        most = negative_binomial_quantile(np.max(level), size, share)
        if most < np.size(level):  # adding up is cheaper than looking for each
            return np.searchsorted(special.betainc(size, np.arange(most + 1) + 1, share), level) * 1.0
    guess = special.nbdtrik(level, size, share)
    return _smallest(guess, lambda count: special.betainc(size, count + 1, share) >= level)


def negative_binomial_upper_quantile(level: Any, size: Any, share: Any) -> Any:
    """Smallest count that a negative binomial exceeds with a chance of at most ``level``."""
    guess = special.nbdtrik(np.subtract(1, level), size, share)
    return _smallest(guess, lambda count: special.betaincc(size, count + 1, share) <= level)


def _smallest(guess: Any, reached: Any) -> Any:
    """Step from a guess that may be one off to the smallest count at which something is reached."""
    count = np.maximum(np.ceil(guess), 0)
    before = np.maximum(count - 1, 0)
    count = np.where(reached(before), before, count)
    return np.where(reached(count), count, count + 1)[()]
