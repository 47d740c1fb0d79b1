"""Empirical-Bayes shrinkage of the failure rates of groups (gamma-Poisson model)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray
from servicedesk.reports.numerics.counts import exact
from servicedesk.reports.numerics.counts.sites import counts_at_risk

SHAPES = np.geomspace(1e-9, 1e7, 129)
"""Grid of gamma shapes at which the marginal likelihood is first evaluated: from a wide spread to none."""

GAIN = 1e-7
"""A spread that raises the log-likelihood by no more than this counts as none."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ShrunkRates:
    """Empirical-Bayes rates of several groups, with the gamma prior they are shrunk toward.

    Attributes
    ----------
    prior_shape, prior_rate : float
        Fitted gamma prior of the groups' rates; both infinite when nothing tells the groups apart.
    rate, low, high : ndarray
        Posterior mean and limits of each group's rate.
    pooled : bool
        There is no evidence that the groups differ; every rate is the common one.
    """

    prior_shape: float
    prior_rate: float
    rate: FloatArray
    low: FloatArray
    high: FloatArray
    pooled: bool


def shrink_rates(
    events: ArrayLike, exposure: ArrayLike, *, design_effect: float = 1.0, confidence: float = 0.95
) -> ShrunkRates:
    """Empirical-Bayes shrinkage of the failure rates of several groups.

    Parameters
    ----------
    events, exposure : array_like
        Failures and time at risk, one entry a group. A group without time at risk gets the prior's mean.
    design_effect : float
        Inflation of the variance by shared sites; failures and time at risk are divided by it.
    confidence : float
        Two-sided probability of the limits.

    Returns
    -------
    ShrunkRates
        For ranking groups and raising alarms; the plain counts belong beside them.

    Raises
    ------
    ValueError
        If columns differ in length, nothing was at risk, or an event happened in a group without time at
        risk.

    Notes
    -----
    Failures are Poisson and rates gamma distributed; the gamma is that of the highest marginal likelihood.
    Limits take it as known, so they are approximate and a little narrow.

    References
    ----------
    .. [1] Gaver, D. P. and O'Muircheartaigh, I. G. (1987). Robust empirical Bayes analyses of event rates.
       Technometrics 29.
    .. [2] Clayton, D. and Kaldor, J. (1987). Empirical Bayes estimates of age-standardized relative risks for
       use in disease mapping. Biometrics 43.
    .. [3] Morris, C. N. (1983). Parametric empirical Bayes inference. JASA 78.
    """
    effect = columns.inflation(design_effect)
    level = columns.share(confidence, name="confidence")
    number, time = counts_at_risk(events, exposure, names=("events", "exposure"))
    if time.sum() == 0:
        raise ValueError("exposure is zero in every group: nothing was watched, so there is no rate.")
    number, time = number / effect, time / effect
    prior = _prior(number[time > 0], time[time > 0])
    if prior is None:
        return _common(number, time, confidence=level)
    shape, rate = prior
    tails = (1 - level) / 2, (1 + level) / 2
    low, high = (special.gammaincinv(shape + number, tail) / (rate + time) for tail in tails)
    return ShrunkRates(
        prior_shape=shape,
        prior_rate=rate,
        rate=(shape + number) / (rate + time),
        low=low,
        high=high,
        pooled=False,
    )


def _common(number: FloatArray, time: FloatArray, *, confidence: float) -> ShrunkRates:
    total, watched = float(number.sum()), float(time.sum())
    low, high = exact.poisson_limits(total, watched, confidence=confidence)
    return ShrunkRates(
        prior_shape=math.inf,
        prior_rate=math.inf,
        rate=np.full(number.shape, total / watched),
        low=np.full(number.shape, low),
        high=np.full(number.shape, high),
        pooled=True,
    )


def _prior(number: FloatArray, time: FloatArray) -> tuple[float, float] | None:
    """Gamma prior of the highest marginal likelihood, or None when no spread beats a common rate."""
    if not number.any():
        return None
    common = number.sum() / time.sum()
    together = float(
        (special.xlogy(number, common * time) - common * time - special.gammaln(number + 1)).sum()
    )
    gains = [_likelihood(shape, _mean(shape, number, time), number, time) - together for shape in SHAPES]
    best = int(np.argmax(gains))
    if gains[best] <= GAIN or best == SHAPES.size - 1:
        return None

    def slope(log_shape: float) -> float:
        shape = math.exp(log_shape)
        return _slope(shape, _mean(shape, number, time), number, time)

    low, high = math.log(SHAPES[best - 1]), math.log(SHAPES[best + 1])
    shape = math.exp(optimize.brentq(slope, low, high, xtol=1e-12))
    return shape, shape / _mean(shape, number, time)


def _mean(shape: float, number: FloatArray, time: FloatArray) -> float:
    """Maximum-likelihood mean rate for one shape of the gamma."""

    def slope(mean: float) -> float:
        return float(((number - mean * time) / (shape + mean * time)).sum())

    rates = number / time
    low, high = float(rates.min()), float(rates.max())
    return low if low == high else float(optimize.brentq(slope, low, high, xtol=1e-14 * high, rtol=1e-13))


def _likelihood(shape: float, mean: float, number: FloatArray, time: FloatArray) -> float:
    expected = mean * time
    terms = (
        special.gammaln(shape + number)
        - special.gammaln(shape)
        - special.gammaln(number + 1)
        + special.xlogy(number, expected / (shape + expected))
        - shape * np.log1p(expected / shape)
    )
    return float(terms.sum())


def _slope(shape: float, mean: float, number: FloatArray, time: FloatArray) -> float:
    """Derivative of the profile marginal log-likelihood by the shape of the gamma."""
    expected = mean * time
    terms = (
        special.digamma(shape + number)
        - special.digamma(shape)
        - np.log1p(expected / shape)
        + (expected - number) / (shape + expected)
    )
    return float(terms.sum())
