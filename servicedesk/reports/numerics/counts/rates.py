"""Failure rates per time at risk, design effects, and exact and stratified rate ratios."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray
from servicedesk.reports.numerics.counts import exact
from servicedesk.reports.numerics.counts.sites import counts_at_risk, site_totals, spread
from servicedesk.reports.numerics.distributions import normal_quantile, normal_tail


@dataclass(frozen=True, kw_only=True)
class Rate:
    """Failures per unit of time at risk, with a confidence interval."""

    events: float
    exposure: float
    rate: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class ClusteredRate(Rate):
    """Failure rate with a cluster-robust interval.

    ``design_effect`` is how much sharing inflates the variance (1 when it does not, NaN where it could not be
    estimated), ``clusters`` the number of sites with time at risk.
    """

    design_effect: float
    clusters: int


@dataclass(frozen=True, kw_only=True)
class RateRatio:
    """Rate of the first group over that of the second, with interval and two-sided p-value."""

    ratio: float
    low: float
    high: float
    p_value: float


def event_rate(events: float, exposure: float, *, confidence: float = 0.95) -> Rate:
    """Failure rate with the exact Poisson (Garwood) interval.

    Parameters
    ----------
    events : float
        Number of failures; an effective number (failures divided by a design effect) need not be whole.
    exposure : float
        Time at risk in which they happened, above zero.
    confidence : float
        Two-sided confidence of the interval.

    Returns
    -------
    Rate
        With ``low`` zero when nothing failed.

    Raises
    ------
    ValueError
        If there is no exposure, or a value is negative or not a number.

    Notes
    -----
    Assumes a constant rate over the pooled ages and dates, independent events and complete reporting.
    Limits are chi-square quantiles, central: each tail has half of the error probability.

    References
    ----------
    .. [1] Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1.
    """
    number = columns.amount(events, name="events")
    time = _exposure(exposure, name="exposure")
    low, high = exact.poisson_limits(number, time, confidence=columns.share(confidence, name="confidence"))
    return Rate(events=number, exposure=time, rate=number / time, low=low, high=high)


def design_effect(
    events: ArrayLike, exposure: ArrayLike, cluster: ArrayLike, *, group: ArrayLike | None = None
) -> float:
    """Design effect: the factor by which sharing sites inflates the variance of a failure count.

    Parameters
    ----------
    events, exposure : array_like
        Failures and time at risk, one row an item.
    cluster : array_like
        Site of each item.
    group : array_like, optional
        Group of each item, when groups are to be compared. Every site's share in a group is then compared
        with that group's own rate, and one effect is estimated from all of them together.

    Returns
    -------
    float
        One when the sites vary no more than chance, NaN where it cannot be estimated (no failure, or fewer
        than three sites): borrow the fleet's there.

    Raises
    ------
    ValueError
        If columns differ in length, nothing was at risk, or an event happened to an item with no time at
        risk.

    Notes
    -----
    ``max(1, k/(k-1) * sum (n_i - rate * T_i)^2 / n)`` over the ``k`` sites (the pairs of site and group, with
    groups). Dividing failures and time at risk by it gives the effective counts.

    References
    ----------
    .. [1] Rao, J. N. K. and Scott, A. J. (1992). A simple method for the analysis of clustered binary data.
       Biometrics 48.
    .. [2] Rao, J. N. K. and Scott, A. J. (1999). A simple method for analysing overdispersion in clustered
       Poisson data. Statistics in Medicine 18.
    """
    return _at_least_one(spread(site_totals(events, exposure, cluster, group=group)))


def rate_ratio(
    events_a: float,
    exposure_a: float,
    events_b: float,
    exposure_b: float,
    *,
    design_effect: float = 1.0,
    confidence: float = 0.95,
) -> RateRatio:
    """Rate ratio of two groups with the exact conditional interval and the p-value that agrees with it.

    Parameters
    ----------
    events_a, exposure_a, events_b, exposure_b : float
        Failures and time at risk of the two groups.
    design_effect : float
        Inflation of the variance by shared sites, estimated from both groups together; counts are divided by
        it.
    confidence : float
        Two-sided confidence of the interval.

    Returns
    -------
    RateRatio
        Infinite when only the second group had no failures. When neither had any the ratio is NaN, the
        interval runs from nothing to infinity and the p-value is one.

    Raises
    ------
    ValueError
        If there is no exposure, a value is negative or not a number, or the design effect is below one.

    Notes
    -----
    Given the total, the first count is binomial. Limits are those of Clopper and Pearson. The p-value
    is central (twice the smaller tail), because the more common minimum-likelihood p can fall below 0.05
    while its own interval holds the ratio of one. Assumes rates constant within each group.

    References
    ----------
    .. [1] Przyborowski, J. and Wilenski, H. (1940). Homogeneity of results in testing samples from Poisson
       series. Biometrika 31.
    .. [2] Clopper, C. J. and Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in
       the case of the binomial. Biometrika 26.
    .. [3] Fay, M. P. (2010). Two-sided exact tests and matching confidence intervals for discrete data. The R
       Journal 2(1).
    """
    effect = columns.inflation(design_effect)
    level = columns.share(confidence, name="confidence")
    a, b = columns.amount(events_a, name="events_a"), columns.amount(events_b, name="events_b")
    time_a, time_b = _exposure(exposure_a, name="exposure_a"), _exposure(exposure_b, name="exposure_b")
    low, high = exact.clopper_pearson(a / effect, b / effect, confidence=level)
    return RateRatio(
        ratio=_quotient(a * time_b, b * time_a),
        low=low / (1 - low) * time_b / time_a,
        high=_quotient(high * time_b, (1 - high) * time_a),
        p_value=exact.split_p_value(a / effect, b / effect, part=time_a / (time_a + time_b)),
    )


def stratified_rate_ratio(
    events_a: ArrayLike,
    exposure_a: ArrayLike,
    events_b: ArrayLike,
    exposure_b: ArrayLike,
    *,
    design_effect: float = 1.0,
    confidence: float = 0.95,
) -> RateRatio:
    """Mantel-Haenszel rate ratio of two groups over strata (sun, color, age).

    Parameters
    ----------
    events_a, exposure_a, events_b, exposure_b : array_like
        Failures and time at risk of the two groups, one entry a stratum. Strata where only one group was
        at risk carry no information and do not count.
    design_effect : float
        Inflation of the variance by shared sites.
    confidence : float
        Two-sided confidence of the interval.

    Returns
    -------
    RateRatio
        As for `rate_ratio`.

    Raises
    ------
    ValueError
        If columns differ in length, no stratum holds both groups, an event happened without exposure, or the
        design effect is below one.

    Notes
    -----
    The Mantel-Haenszel ratio with the variance of Greenland and Robins for its logarithm, which stays
    good when strata are many and sparse. Assumes the same ratio in every stratum. Where one group had no
    failures at all that variance does not exist; limits and p-value then come from the exact conditional
    distribution, a sum of binomial counts whose chance of being empty is known.

    References
    ----------
    .. [1] Greenland, S. and Robins, J. M. (1985). Estimation of a common effect parameter from sparse
       follow-up data. Biometrics 41.
    .. [2] Rothman, K. J. and Greenland, S. (1998). Modern Epidemiology.
    """
    effect = columns.inflation(design_effect)
    level = columns.share(confidence, name="confidence")
    a, time_a, b, time_b = _strata(events_a, exposure_a, events_b, exposure_b)
    time = time_a + time_b
    first, second = float((a * time_b / time).sum()), float((b * time_a / time).sum())
    if first == 0 or second == 0:
        return _empty_side(a / effect, time_a, b / effect, time_b, confidence=level)
    error = np.sqrt(effect * float(((a + b) * time_a * time_b / time**2).sum()) / (first * second))
    reach = float(np.exp(normal_quantile((1 + level) / 2) * error))
    ratio = first / second
    return RateRatio(
        ratio=ratio,
        low=ratio / reach,
        high=ratio * reach,
        p_value=float(2 * normal_tail(abs(np.log(ratio)) / error)),
    )


def _exposure(value: float, *, name: str) -> float:
    time = columns.amount(value, name=name)
    if time == 0:
        raise ValueError(f"{name} is zero: nothing was watched, so there is no rate.")
    return time


def _at_least_one(variation: float) -> float:
    return variation if np.isnan(variation) else max(1.0, variation)


def _quotient(part: float, whole: float) -> float:
    if whole > 0:
        return part / whole
    return float("inf") if part > 0 else float("nan")


def _strata(
    events_a: ArrayLike, exposure_a: ArrayLike, events_b: ArrayLike, exposure_b: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    a, time_a = counts_at_risk(events_a, exposure_a, names=("events_a", "exposure_a"))
    b, time_b = counts_at_risk(events_b, exposure_b, names=("events_b", "exposure_b"))
    columns.same_length(events_a=a, events_b=b)
    both = (time_a > 0) & (time_b > 0)
    if not both.any():
        raise ValueError(
            "exposure_a and exposure_b share no stratum: the two groups were never watched side by side."
        )
    return a[both], time_a[both], b[both], time_b[both]


def _empty_side(
    a: FloatArray, time_a: FloatArray, b: FloatArray, time_b: FloatArray, *, confidence: float
) -> RateRatio:
    """Exact rate ratio and limits when one of the groups had no failures in any stratum."""
    if a.sum() == 0 and b.sum() == 0:
        return RateRatio(ratio=float("nan"), low=0.0, high=float("inf"), p_value=1.0)
    tail = (1 - confidence) / 2
    if a.sum() == 0:
        limit = exact.none_limit(b, odds=time_a / time_b, tail=tail)
        return RateRatio(ratio=0.0, low=0.0, high=limit, p_value=exact.none_p_value(b, odds=time_a / time_b))
    limit = exact.none_limit(a, odds=time_b / time_a, tail=tail)
    return RateRatio(
        ratio=float("inf"),
        low=1 / limit,
        high=float("inf"),
        p_value=exact.none_p_value(a, odds=time_b / time_a),
    )
