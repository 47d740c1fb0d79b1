"""Exact limits and tails of failure counts, for whole and for effective (divided) numbers of failures."""

from __future__ import annotations

import numpy as np
from scipy import optimize, special, stats

from servicedesk.reports.lifetimes.columns import FloatArray


def poisson_limits(number: float, time: float, *, confidence: float) -> tuple[float, float]:
    """Give the central limits of a rate behind a Poisson count."""
    tail = (1 - confidence) / 2
    low = stats.chi2.ppf(tail, 2 * number) / 2 if number > 0 else 0.0
    return float(low / time), float(stats.chi2.isf(tail, 2 * number + 2) / 2 / time)


def split_limits(a: float, b: float, *, confidence: float) -> tuple[float, float]:
    """Give the central limits of the share of the first kind behind counts of two kinds."""
    tail = (1 - confidence) / 2
    low = special.betaincinv(a, b + 1, tail) if a > 0 else 0.0
    high = special.betainccinv(a + 1, b, tail) if b > 0 else 1.0
    return float(low), float(high)


def chance_of_as_many(a: float, b: float, *, part: float) -> float:
    """Give the chance of seeing ``a`` or more of the first kind among all, when its share is ``part``."""
    return float(special.betainc(a, b + 1, part)) if a > 0 else 1.0


def split_p_value(a: float, b: float, *, part: float) -> float:
    """Give the central two-sided p-value of the share of the first kind being ``part``."""
    as_few = special.betaincc(a + 1, b, part) if b > 0 else 1.0
    return float(min(1.0, 2 * min(as_few, chance_of_as_many(a, b, part=part))))


def none_p_value(failures: FloatArray, *, odds: FloatArray) -> float:
    """Give the two-sided p-value of equal rates when one group had no failures in any stratum.

    ``failures`` are those of the other group and ``odds`` the empty group's time at risk per unit of the
    other's.
    """
    return float(min(1.0, 2 * np.exp(-(failures * np.log1p(odds)).sum())))


def none_limit(failures: FloatArray, *, odds: FloatArray, tail: float) -> float:
    """Find the ratio (empty group to other) at which staying empty has the chance of one tail."""
    target = -np.log(tail)

    def excess(log_ratio: float) -> float:
        return float((failures * np.log1p(odds * np.exp(log_ratio))).sum() - target)

    # Between them these two bracket the root: log(1 + x) lies between log(x) and x.
    low = np.log(target / (failures * odds).sum())
    high = target / failures.sum() + 1.0 - np.log(odds[failures > 0]).min()
    return float(np.exp(optimize.brentq(excess, low, high, xtol=1e-13)))
