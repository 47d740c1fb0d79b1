"""Exact limits and tails of failure counts, for whole and for effective (divided) numbers of failures."""

from __future__ import annotations

import numpy as np
from scipy import optimize, special

from servicedesk.reports.numerics.columns import FloatArray
from servicedesk.reports.numerics.distributions import chi2_quantile, chi2_upper_quantile


def poisson_limits(number: float, time: float, *, confidence: float) -> tuple[float, float]:
    """Exact central (Garwood) confidence limits of a Poisson rate."""
    tail = (1 - confidence) / 2
    low = chi2_quantile(tail, 2 * number) / 2 if number > 0 else 0.0
    return float(low / time), float(chi2_upper_quantile(tail, 2 * number + 2) / 2 / time)


def clopper_pearson(a: float, b: float, *, confidence: float) -> tuple[float, float]:
    """Clopper-Pearson limits of a binomial proportion, from counts of two kinds."""
    tail = (1 - confidence) / 2
    low = special.betaincinv(a, b + 1, tail) if a > 0 else 0.0
    high = special.betainccinv(a + 1, b, tail) if b > 0 else 1.0
    return float(low), float(high)


def chance_of_as_many(a: float, b: float, *, part: float) -> float:
    """Binomial upper tail: the chance of ``a`` or more among ``a + b`` when the share is ``part``."""
    return float(special.betainc(a, b + 1, part)) if a > 0 else 1.0


def chances_of_as_many(a: FloatArray | float, b: FloatArray | float, *, part: FloatArray) -> FloatArray:
    """Binomial upper tails for columns; each as `chance_of_as_many`."""
    chance = special.betainc(np.maximum(a, 1e-300), np.add(b, 1), part)
    return np.where(np.greater(a, 0), chance, 1.0).astype(np.float64)


def split_p_value(a: float, b: float, *, part: float) -> float:
    """Central two-sided p-value of the binomial test that the share of the first kind is ``part``."""
    return float(split_p_values(np.array([a]), np.array([b]), part=np.array([part]))[0])


def split_p_values(a: FloatArray, b: FloatArray, *, part: FloatArray) -> FloatArray:
    """Central two-sided p-values of many binomial tests; each as `split_p_value`."""
    as_few = np.where(b > 0, special.betaincc(a + 1, np.where(b > 0, b, 1.0), part), 1.0)
    as_many = np.where(a > 0, special.betainc(np.where(a > 0, a, 1.0), b + 1, part), 1.0)
    return np.asarray(np.minimum(1.0, 2 * np.minimum(as_few, as_many)))


def none_p_value(failures: FloatArray, *, odds: FloatArray) -> float:
    """Exact conditional two-sided p-value of equal rates when one group had no failures in any stratum.

    ``failures`` are those of the other group and ``odds`` the empty group's time at risk per unit of the
    other's.
    """
    return float(min(1.0, 2 * np.exp(-(failures * np.log1p(odds)).sum())))


def none_limit(failures: FloatArray, *, odds: FloatArray, tail: float) -> float:
    """Exact confidence limit of the rate ratio (empty group to other) where one group had no failures."""
    target = -np.log(tail)

    def excess(log_ratio: float) -> float:
        return float((failures * np.log1p(odds * np.exp(log_ratio))).sum() - target)

    # These two bracket the root: log(1 + x) lies between log(x) and x.
    low = np.log(target / (failures * odds).sum())
    high = target / failures.sum() + 1.0 - np.log(odds[failures > 0]).min()
    return float(np.exp(optimize.brentq(excess, low, high, xtol=1e-13)))
