"""Mean cumulative function of recurrent failures with cluster-robust limits, and tests of two groups."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray, IntArray
from servicedesk.reports.numerics.distributions import chi2_tail
from servicedesk.reports.numerics.estimate import Estimate
from servicedesk.reports.numerics.survival import influence
from servicedesk.reports.numerics.survival.histories import Histories, read_histories


@dataclass(frozen=True, kw_only=True, eq=False)
class MeanCumulative:
    """Mean cumulative function: average number of failures per item by each age at which one failed.

    Attributes
    ----------
    time : ndarray
        Ages at which items failed, ascending.
    at_risk, clusters_at_risk, events : ndarray
        Items and sites at risk at that age, and failures at it.
    mean, std_error, low, high : ndarray
        Average failures per item up to and including that age, its site-robust standard error and limits.
    clusters : int
        Sites in all.
    """

    time: FloatArray
    at_risk: IntArray
    clusters_at_risk: IntArray
    events: IntArray
    mean: FloatArray
    std_error: FloatArray
    low: FloatArray
    high: FloatArray
    clusters: int

    def at(self, age: float) -> Estimate:
        """Mean cumulative function at an age, with its limits (zero before the first failure)."""
        step = int(np.searchsorted(self.time, columns.amount(age, name="age"), side="right")) - 1
        if step < 0:
            return Estimate(0.0, low=0.0, high=float("nan"))
        return Estimate(self.mean[step], low=float(self.low[step]), high=float(self.high[step]))


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Result of the robust score test of equal recurrence in two groups."""

    statistic: float
    degrees: int
    p_value: float


@dataclass(frozen=True, kw_only=True)
class Difference:
    """Difference of the mean cumulative functions of two groups at one age, the first less the second."""

    groups: tuple[Any, Any]
    difference: float
    std_error: float
    low: float
    high: float


def mean_cumulative(
    start: ArrayLike,
    stop: ArrayLike,
    event: ArrayLike,
    item: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    confidence: float = 0.95,
) -> MeanCumulative:
    """Nelson's estimate of the mean cumulative function, with cluster-robust variance.

    Parameters
    ----------
    start, stop : array_like
        Ages between which an item was at risk, one row a span: ``(start, stop]``. Spans of one item must not
        overlap. A span of no length counts only for its failure, and only if the item was at risk at that
        age: so the second of two failures on one day has its row.
    event : array_like
        Failures at ``stop``: yes or no, or their number.
    item : array_like
        Item of each row.
    cluster : array_like, optional
        Site of each row; without it every item counts as a site of its own.
    confidence : float
        Two-sided confidence of the limits.

    Returns
    -------
    MeanCumulative

    Raises
    ------
    ValueError
        If columns differ in length, a time is negative or not a number, a stop comes before its start, or
        nothing was at risk.

    Notes
    -----
    The sum of failures over items at risk, with the robust variance in which items of a site may depend
    on each other in any way. Limits are taken on the log scale, with the t quantile when there are fewer than
    30 sites; one site gives none. Assumes that entry and exit are independent of failures to come.

    References
    ----------
    .. [1] Nelson, W. (1995). Confidence limits for recurrence data. Technometrics 37.
    .. [2] Lawless, J. F. and Nadeau, C. (1995). Some simple robust methods for the analysis of recurrent
       events. Technometrics 37.
    .. [3] Cook, R. J. and Lawless, J. F. (2007). The Statistical Analysis of Recurrent Events.
    """
    level = columns.share(confidence, name="confidence")
    beside: dict[str, ArrayLike] = {"item": item} if cluster is None else {"item": item, "cluster": cluster}
    histories = read_histories(start, stop, event, item="item", beside=beside)
    site = "item" if cluster is None else "cluster"
    tally = histories.tally()
    failures, at_risk = tally.failures, tally.at_risk()
    places = np.flatnonzero(failures)
    share, drift = np.zeros(failures.shape[0]), np.zeros(failures.shape[0])
    share[places] = 1 / at_risk[places]
    drift[places] = failures[places] / at_risk[places] ** 2
    spread = influence.spread_by_cluster(
        influence.FollowUp(
            histories.start.places,
            histories.stop.places,
            histories.events,
            columns.codes(histories.beside[site], name=site),
        ),
        share=share,
        drift=np.cumsum(drift),
    )
    mean = np.cumsum(failures[places] * share[places])
    std_error = np.sqrt(spread.variance[places])
    factor = np.exp(influence.critical_value(level, clusters=spread.clusters) * std_error / mean)
    return MeanCumulative(
        time=histories.marks[places],
        at_risk=at_risk[places],
        clusters_at_risk=spread.at_risk[places],
        events=failures[places],
        mean=mean,
        std_error=std_error,
        low=mean / factor,
        high=mean * factor,
        clusters=spread.clusters,
    )


def compare_mean_cumulative(
    start: ArrayLike, stop: ArrayLike, event: ArrayLike, cluster: ArrayLike, group: ArrayLike
) -> Comparison:
    """Robust score test that two groups have the same mean cumulative function (Lawless and Nadeau).

    Parameters
    ----------
    start, stop, event : array_like
        As for `mean_cumulative`.
    cluster : array_like
        Site of each row; a site may hold items of both kinds.
    group : array_like
        Kind of each row, exactly two.

    Returns
    -------
    Comparison
        When the two were never at risk at one age, or nothing failed then, the statistic is zero and the
        p-value one.

    Raises
    ------
    ValueError
        As for `mean_cumulative`, and if there are not exactly two groups.

    Notes
    -----
    The difference of the two increments at each age, weighted by ``Y1 Y2 / (Y1 + Y2)``, over its robust
    variance with pooled increments: the robust score test of an Andersen-Gill model. Increments of each group
    on its own would give too large a statistic.

    References
    ----------
    .. [1] Lawless, J. F. and Nadeau, C. (1995). Some simple robust methods for the analysis of recurrent
       events. Technometrics 37.
    .. [2] Cook, R. J., Lawless, J. F. and Nadeau, C. (1996). Robust tests for treatment comparisons based on
       recurrent event responses. Biometrics 52.
    """
    pair = _read_pair(start, stop, event, cluster, group)
    failures, at_risk = pair.failures.sum(axis=0), pair.at_risk.sum(axis=0)
    hit = failures > 0
    # Contributions of one event, and of one item at risk, of each kind to the weighted difference.
    share, drift = (
        np.zeros_like(pair.failures, dtype=np.float64),
        np.zeros_like(pair.failures, dtype=np.float64),
    )
    share[:, hit] = pair.at_risk[::-1, hit] / at_risk[hit]
    drift[:, hit] = share[:, hit] * failures[hit] / at_risk[hit]
    pulls = _pulls(pair, share=share, drift=np.cumsum(drift, axis=1))
    variance = float((pulls**2).sum())
    statistic = float(pulls.sum() ** 2 / variance) if variance > 0 else 0.0
    return Comparison(statistic=statistic, degrees=1, p_value=float(chi2_tail(statistic, 1)))


def mean_cumulative_difference(
    start: ArrayLike,
    stop: ArrayLike,
    event: ArrayLike,
    cluster: ArrayLike,
    group: ArrayLike,
    *,
    age: float,
    confidence: float = 0.95,
) -> Difference:
    """Difference of two mean cumulative functions at one age, chosen beforehand.

    Parameters
    ----------
    start, stop, event, cluster, group : array_like
        As for `compare_mean_cumulative`.
    age : float
        The age at which to compare.
    confidence : float
        Two-sided confidence of the interval.

    Returns
    -------
    Difference
        Of the first label of ``groups`` less the second.

    Raises
    ------
    ValueError
        As for `compare_mean_cumulative`.

    Notes
    -----
    Each site's influence on the difference is taken as a whole, so sites with both kinds count as the pairs
    they are. The t quantile is used when there are fewer than 30 sites. Assumes what `mean_cumulative`
    assumes.

    References
    ----------
    .. [1] Lawless, J. F. and Nadeau, C. (1995). Some simple robust methods for the analysis of recurrent
       events. Technometrics 37.
    """
    level = columns.share(confidence, name="confidence")
    pair = _read_pair(start, stop, event, cluster, group)
    hit = (pair.failures > 0) & (pair.marks <= columns.amount(age, name="age"))
    share, drift = np.zeros(hit.shape), np.zeros(hit.shape)
    share[hit] = 1 / pair.at_risk[hit]
    drift[hit] = pair.failures[hit] / pair.at_risk[hit] ** 2
    mean = (pair.failures * share).sum(axis=1)
    pulls = _pulls(pair, share=share, drift=np.cumsum(drift, axis=1))
    std_error = float(np.sqrt((pulls**2).sum()))
    difference = float(mean[0] - mean[1])
    width = influence.critical_value(level, clusters=pulls.size) * std_error
    first, second = pair.labels.tolist()
    return Difference(
        groups=(first, second),
        difference=difference,
        std_error=std_error,
        low=difference - width,
        high=difference + width,
    )


@dataclass(frozen=True, eq=False)
class _Pair:
    """Histories of two groups, with failures and items at risk by group (rows) and mark."""

    histories: Histories
    labels: NDArray[Any]
    kind: IntArray
    failures: IntArray
    at_risk: IntArray

    @property
    def marks(self) -> FloatArray:
        return self.histories.marks


def _read_pair(
    start: ArrayLike, stop: ArrayLike, event: ArrayLike, cluster: ArrayLike, group: ArrayLike
) -> _Pair:
    histories = read_histories(
        start, stop, event, item="cluster", beside={"cluster": cluster, "group": group}
    )
    labels, kind = np.unique(histories.beside["group"], return_inverse=True)
    if labels.size != 2:
        raise ValueError(f"group must name exactly two groups with time at risk, but it names {labels.size}.")
    tallies = [histories.only(kind == each).tally() for each in range(2)]
    return _Pair(
        histories=histories,
        labels=labels,
        kind=kind,
        failures=np.stack([tally.failures for tally in tallies]),
        at_risk=np.stack([tally.at_risk() for tally in tallies]),
    )


def _pulls(pair: _Pair, *, share: FloatArray, drift: FloatArray) -> FloatArray:
    """Influence of each site on the difference: rows of the first group count up, of the second down."""
    rows, kind = pair.histories, pair.kind
    start, stop = rows.start.places, rows.stop.places
    pull = rows.events * share[kind, stop] - (drift[kind, stop] - drift[kind, start])
    site = columns.codes(rows.beside["cluster"], name="cluster")
    present = np.bincount(site.values, minlength=site.size) > 0
    return columns.sums(site.values, weights=np.where(kind == 0, pull, -pull), size=site.size)[present]
