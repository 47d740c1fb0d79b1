"""Rates and rate ratios with jackknife errors, leaving out one site after another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray, IntArray
from servicedesk.reports.numerics.counts import exact
from servicedesk.reports.numerics.counts.rates import ClusteredRate, RateRatio, stratified_rate_ratio
from servicedesk.reports.numerics.counts.sites import (
    FEWEST_CLUSTERS,
    between_site_variance,
    count_inflation,
    counts_at_risk,
    site_totals,
    spread,
)
from servicedesk.reports.numerics.distributions import t_quantile, t_tail

NOTHING_LEFT = 1e-9
"""A sum that falls below this share of itself without a site counts as all of that site's."""

LARGEST_LOG = 300.0
"""Limits are capped at this power of e."""


@dataclass(frozen=True, kw_only=True)
class JackknifeRatio(RateRatio):
    """Rate ratio with a jackknife interval by site; ``sites`` are those of the first and the second group."""

    sites: tuple[int, int]


def jackknife_rate(
    events: ArrayLike,
    exposure: ArrayLike,
    cluster: ArrayLike,
    *,
    fleet_design_effect: float | None = None,
    confidence: float = 0.95,
) -> ClusteredRate:
    """Failure rate with the jackknife interval by site.

    Parameters
    ----------
    events, exposure : array_like
        Failures and time at risk, one row an item.
    cluster : array_like
        Site of each item.
    fleet_design_effect : float, optional
        Design effect of the whole fleet, borrowed where the sites at hand are too few (under three) or
        nothing failed. Without it such a rate keeps the exact Poisson interval and a NaN design effect.
    confidence : float
        Two-sided confidence of the interval.

    Returns
    -------
    ClusteredRate
        Its interval is the wider (by its length) of the exact Poisson interval and the jackknife's.

    Raises
    ------
    ValueError
        If columns differ in length, nothing was at risk, or an event happened to an item with no time at
        risk.

    Notes
    -----
    The jackknife interval is ``rate * exp(+-t s)``. With ``h`` a site's share of the time at risk, ``s**2``
    is ``(k - 1) / k`` times the sum over the ``k`` sites of the squares of
    ``(n_i - rate * T_i) / ((1 - h_i) n)``: each site is compared with the rate of all others, so a site with
    most of the time does not hide how far it is from them. ``t`` has ``1 / sum(h**2) - 1`` degrees of freedom
    (the effective number of sites less one), but no fewer than one.

    References
    ----------
    .. [1] Bell, R. M. and McCaffrey, D. F. (2002). Bias reduction in standard errors for linear regression
       with multi-stage samples. Survey Methodology 28.
    .. [2] Carter, A. V., Schnepel, K. T. and Steigerwald, D. G. (2017). Asymptotic behavior of a t-test
       robust to cluster heterogeneity. Review of Economics and Statistics 99.
    .. [3] Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28.
    """
    level = columns.share(confidence, name="confidence")
    totals = site_totals(events, exposure, cluster, group=None)
    number, time, sites = float(totals.events.sum()), float(totals.exposure.sum()), totals.events.size
    low, high = exact.poisson_limits(number, time, confidence=level)
    variation = spread(totals)
    if number > 0 and sites >= FEWEST_CLUSTERS:
        share = totals.exposure / time
        change = (totals.events - totals.expected) / ((1 - share) * number)
        degrees = max(1.0, 1 / float((share**2).sum()) - 1)
        reach = _critical_value(level, degrees=degrees, error=_error(change))
        robust = (number / time / reach, number / time * reach)
        low, high = max((low, high), robust, key=lambda limits: limits[1] - limits[0])
    elif fleet_design_effect is not None:
        variation = columns.inflation(fleet_design_effect, name="fleet_design_effect")
        low, high = exact.poisson_limits(number / variation, time / variation, confidence=level)
    return ClusteredRate(
        events=number,
        exposure=time,
        rate=number / time,
        low=low,
        high=high,
        design_effect=variation if np.isnan(variation) else max(1.0, variation),
        clusters=sites,
    )


def jackknife_rate_ratio(
    events: ArrayLike,
    exposure: ArrayLike,
    cluster: ArrayLike,
    group: ArrayLike,
    *,
    stratum: ArrayLike | None = None,
    confidence: float = 0.95,
) -> JackknifeRatio:
    """Mantel-Haenszel rate ratio of two groups, with the jackknife interval by site.

    Parameters
    ----------
    events, exposure : array_like
        Failures and time at risk, one row an item or a sum of items.
    cluster : array_like
        Site of each row; a site may hold both groups.
    group : array_like
        0 for the first group, 1 for the second.
    stratum : array_like, optional
        Stratum of each row. Strata where only one group was at risk carry no information and do not count.
    confidence : float
        Two-sided confidence of the interval.

    Returns
    -------
    JackknifeRatio
        As for `rate_ratio`. Where all failures of a group that count are at one site, leaving it out leaves
        nothing to compare: the interval runs from nothing to infinity and the p-value is one.

    Raises
    ------
    ValueError
        If columns differ in length, no stratum holds both groups, an event happened without exposure, or
        there is another group than 0 and 1.

    Notes
    -----
    The Mantel-Haenszel ratio (the crude one, with one stratum). The variance of its logarithm is
    ``(k - 1) / k`` times the sum of the squared changes when each of ``k`` sites is left out; ``t`` has one
    degree of freedom fewer than the smaller number of sites of the two groups: a type at five sites rests on
    five independent units, however many sites the other has. Where one group had no failures at all, limits
    and p-value are the exact ones on effective counts.

    References
    ----------
    .. [1] Mantel, N. and Haenszel, W. (1959). Statistical aspects of the analysis of data from retrospective
       studies of disease. Journal of the National Cancer Institute 22.
    .. [2] Cameron, A. C. and Miller, D. L. (2015). A practitioner's guide to cluster-robust inference.
       Journal of Human Resources 50.
    .. [3] MacKinnon, J. G. and Webb, M. D. (2017). Wild bootstrap inference for wildly different cluster
       sizes. Journal of Applied Econometrics 32.
    """
    level = columns.share(confidence, name="confidence")
    cells = _shared_cells(events, exposure, cluster, group, stratum)
    sites = int((cells.first_sites > 0).sum()), int((cells.second_sites > 0).sum())
    strata = cells.by_stratum()
    above, below = (float(part.sum()) for part in _parts(*strata))
    if above == 0 or below == 0:
        estimate = stratified_rate_ratio(*strata, design_effect=cells.inflation(), confidence=level)
        return JackknifeRatio(
            ratio=estimate.ratio, low=estimate.low, high=estimate.high, p_value=estimate.p_value, sites=sites
        )
    ratio = above / below
    change = cells.changes() - np.log(ratio)
    if not np.isfinite(change).all():
        return JackknifeRatio(ratio=ratio, low=0.0, high=float("inf"), p_value=1.0, sites=sites)
    error, degrees = _error(change), max(min(sites) - 1, 1)
    reach = _critical_value(level, degrees=degrees, error=error)
    return JackknifeRatio(
        ratio=ratio,
        low=ratio / reach,
        high=ratio * reach,
        p_value=float(2 * t_tail(abs(np.log(ratio)) / error, degrees)) if error > 0 else 1.0,
        sites=sites,
    )


class _Cells(NamedTuple):
    """Failures and time at risk of both groups, one row a site and stratum in which both were at risk."""

    a: FloatArray
    time_a: FloatArray
    b: FloatArray
    time_b: FloatArray
    site: IntArray
    stratum: IntArray

    @property
    def first_sites(self) -> FloatArray:
        return columns.sums(self.site, weights=self.time_a)

    @property
    def second_sites(self) -> FloatArray:
        return columns.sums(self.site, weights=self.time_b)

    def by_stratum(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        a, time_a, b, time_b = (columns.sums(self.stratum, weights=each) for each in self[:4])
        return a, time_a, b, time_b

    def changes(self) -> FloatArray:
        """Logarithm of the Mantel-Haenszel ratio without each site."""
        whole = [column[self.stratum] for column in self.by_stratum()]
        without = [_less(total, column) for total, column in zip(whole, self[:4], strict=True)]
        first = np.unique(self.stratum, return_index=True)[1]
        logs = []
        for before, after in zip(_parts(*whole), _parts(*without), strict=True):
            total = float(before[first].sum())
            left = total - columns.sums(self.site, weights=before - after)
            left[left < NOTHING_LEFT * total] = 0.0
            with np.errstate(divide="ignore"):
                logs.append(np.log(left))
        with np.errstate(invalid="ignore"):
            ratio: FloatArray = logs[0] - logs[1]
        return ratio

    def inflation(self) -> float:
        """Larger of the two groups' variance inflation factors from differences between sites."""
        a, b = (columns.sums(self.site, weights=each) for each in (self.a, self.b))
        time_a, time_b = self.first_sites, self.second_sites
        number, time = np.concatenate([a, b]), np.concatenate([time_a, time_b])
        variance = between_site_variance(number, time, np.repeat([0, 1], a.size))
        rate = float(number.sum() / time.sum())
        return max(
            count_inflation(variance, rate=rate, time=float(each.sum()), squares=float((each**2).sum()))
            for each in (time_a, time_b)
        )


def _shared_cells(
    events: ArrayLike, exposure: ArrayLike, cluster: ArrayLike, group: ArrayLike, stratum: ArrayLike | None
) -> _Cells:
    number, time = counts_at_risk(events, exposure, names=("events", "exposure"))
    kind = columns.column(group, name="group")
    site = columns.codes(cluster, name="cluster").values
    place = np.zeros(number.size, dtype=np.int64)
    if stratum is not None:
        place = columns.codes(stratum, name="stratum").values
    columns.same_length(events=number, cluster=site, group=kind, stratum=place)
    if not np.isin(kind, (0, 1)).all():
        raise ValueError("group must be 0 for the first group and 1 for the second.")
    by_stratum = [columns.sums(place, weights=time * (kind == each)) for each in (0, 1)]
    shared = ((by_stratum[0] > 0) & (by_stratum[1] > 0))[place] & (time > 0)
    if not shared.any():
        raise ValueError("exposure shows no stratum in which both groups were watched.")
    number, time, kind = number[shared], time[shared], kind[shared]
    site, place = (np.unique(each[shared], return_inverse=True)[1] for each in (site, place))
    strata = int(place.max()) + 1
    cells, cell = np.unique(site * strata + place, return_inverse=True)
    a, time_a, b, time_b = (
        columns.sums(cell, weights=weights * (kind == each), size=cells.size)
        for each in (0, 1)
        for weights in (number, time)
    )
    return _Cells(a, time_a, b, time_b, site=cells // strata, stratum=cells % strata)


def _less(total: FloatArray, part: FloatArray) -> FloatArray:
    left = total - part
    return np.where(left > NOTHING_LEFT * total, left, 0.0)


def _parts(
    a: FloatArray, time_a: FloatArray, b: FloatArray, time_b: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Terms of each stratum in the numerator and denominator of the Mantel-Haenszel ratio."""
    both = (time_a > 0) & (time_b > 0)
    time = np.where(both, time_a + time_b, 1.0)
    return np.where(both, a * time_b / time, 0.0), np.where(both, b * time_a / time, 0.0)


def _error(change: FloatArray) -> float:
    """Jackknife standard error from the changes when each site is left out."""
    return float(np.sqrt((change.size - 1) / change.size * (change**2).sum()))


def _critical_value(confidence: float, *, degrees: float, error: float) -> float:
    """Factor between an estimate and its limits, by the t quantile on the log scale."""
    return float(np.exp(min(t_quantile((1 + confidence) / 2, degrees) * error, LARGEST_LOG)))
