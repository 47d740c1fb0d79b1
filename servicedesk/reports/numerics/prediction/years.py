"""Variance and log-linear trend between years, relative to the failures expected of each."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray
from servicedesk.reports.numerics.distributions import normal_quantile, t_quantile

SURE = 0.05
"""Significance level of the trend."""

FEWEST = 3
"""Effective number of years from which on a trend is fitted."""

PRIOR_RISE = 0.1
"""Prior standard deviation of the growth a year: a rate hardly ever changes by more than a fifth a year
(our choice, no source)."""


@dataclass(frozen=True, kw_only=True)
class YearsApart:
    """Variance and trend between years, relative to their expectations.

    Attributes
    ----------
    years : float
        Effective number of years of equal size.
    variance : float
        Between past years, as a share of the mean squared.
    rise : float
        Growth a year (0.1: by a tenth), zero where it is not significant.
    level, slope : float
        Of the trend: a year ``back`` years ago had ``exp(level - slope * back)`` times what was expected.
    ahead : float
        Predictive variance of the next year, as a share of its mean squared.
    """

    years: float = 0.0
    variance: float = 0.0
    rise: float = 0.0
    level: float = 0.0
    slope: float = 0.0
    ahead: float = 0.0

    @property
    def times(self) -> float:
        """Factor of the trend for the next year."""
        return math.exp(self.level + self.slope)

    def trended(self, expected: FloatArray) -> FloatArray:
        """Failures expected of past years times the trend, the last year first."""
        trended: FloatArray = expected * np.exp(self.level - self.slope * np.arange(expected.size))
        return trended


def years_apart(events: ArrayLike, expected: ArrayLike, *, confidence: float = 0.95) -> YearsApart:
    """Moment estimate of the variance between years, with a ridge-penalized log-linear trend.

    Parameters
    ----------
    events, expected : array_like
        Failures of each year, the last one first, and those that the fit expects of it.
    confidence : float
        Two-sided probability of the prediction interval the variance is for.

    Returns
    -------
    YearsApart
        Without variance and trend where there are fewer than two effective years.

    Notes
    -----
    Method of moments: the squared differences less those of Poisson counts around a common fit. The next year
    differs from the fit by its own effect and by the mean effect of the past, which few years leave
    uncertain: hence Student's t in place of the normal quantile. Years weigh by their size, so there are
    effectively ``sum(expected)**2 / sum(expected**2)`` of them. From three years on a log-linear trend is
    fitted by quasi-Poisson regression that shrinks it toward zero (ridge: `PRIOR_RISE`).

    References
    ----------
    .. [1] McCullagh, P. and Nelder, J. A. (1989). Generalized Linear Models.
    """
    level = columns.share(confidence, name="confidence")
    seen = columns.times(events, name="events").astype(np.float64)
    fitted = columns.times(expected, name="expected").astype(np.float64)
    columns.same_length(events=seen, expected=fitted)
    year = -np.arange(seen.size, dtype=np.float64)[fitted > 0]
    seen, fitted = seen[fitted > 0], fitted[fitted > 0]
    if fitted.size == 0:
        return YearsApart()
    years = _worth(fitted)
    if years < 2:
        return YearsApart(years=years)
    trend = _trend(seen, fitted, year) if years >= FEWEST else NO_TREND
    fitted = fitted * np.exp(trend.level + trend.slope * year)
    lost = 1 + trend.free
    variance = _variance(seen, fitted, lost=lost)
    tail = (1 + level) / 2
    wider = float(t_quantile(tail, max(years - lost, 1.0)) / normal_quantile(tail)) ** 2
    return YearsApart(
        years=years,
        variance=variance,
        rise=math.expm1(trend.slope) if trend.clear else 0.0,
        level=trend.level,
        slope=trend.slope,
        ahead=variance * (1 + 1 / years) * wider + trend.doubt,
    )


class _Trend(NamedTuple):
    """Log-linear trend between years.

    ``level`` is that of now and ``slope`` that of a year; ``doubt`` is the variance it adds to the prediction
    of the next year, ``free`` its effective degrees of freedom, and ``clear`` whether it is significant.
    """

    level: float
    slope: float
    doubt: float
    free: float
    clear: bool


NO_TREND = _Trend(0.0, 0.0, 0.0, 0.0, clear=False)


def _worth(fitted: FloatArray) -> float:
    return float(fitted.sum() ** 2 / (fitted**2).sum())


def _variance(seen: FloatArray, fitted: FloatArray, *, lost: float) -> float:
    """Moment estimate of the variance between years, with ``lost`` degrees of freedom used by the fit."""
    total, squares = float(fitted.sum()), float((fitted**2).sum())
    by_chance = total - lost * squares / total
    gap = float(((seen - fitted) ** 2).sum())
    return max(0.0, (gap - by_chance) / (squares * max(1 - lost / _worth(fitted), 1 / fitted.size)))


def _trend(seen: FloatArray, fitted: FloatArray, year: FloatArray) -> _Trend:
    """Fit a log-linear trend by ridge-penalized quasi-Poisson regression.

    Years are centered, so that the level and the slope are uncorrelated.
    """
    middle = float(fitted @ year / fitted.sum())
    design = np.stack([np.ones(year.size), year - middle], axis=1)
    penalty = np.diag([0.0, PRIOR_RISE**-2])
    dispersion, coefficients, information = 1.0, np.zeros(2), np.eye(2)
    for _ in range(50):
        mean = fitted * np.exp(np.clip(design @ coefficients, -10, 10))
        information = design.T @ (design * mean[:, np.newaxis]) / dispersion
        slope = design.T @ (seen - mean) / dispersion - penalty @ coefficients
        step = np.linalg.solve(information + penalty + 1e-9 * np.eye(2), slope)
        coefficients = coefficients + np.clip(step, -1, 1)
        dispersion = max(1.0, float(((seen - mean) ** 2 / np.maximum(mean, 1e-9)).sum()) / (year.size - 1))
        if np.abs(step).max() < 1e-9:
            break
    known = float(information[1, 1])
    variance = 1 / (known + PRIOR_RISE**-2)
    # The slope without the prior.
    alone = coefficients[1] / (known * variance)
    sure = t_quantile(1 - SURE / 2, max(year.size - 2, 1)) / math.sqrt(known)
    return _Trend(
        level=float(coefficients[0] - coefficients[1] * middle),
        slope=float(coefficients[1]),
        doubt=variance * (1 - middle) ** 2,
        free=known * variance,
        clear=bool(abs(alone) > sure),
    )
