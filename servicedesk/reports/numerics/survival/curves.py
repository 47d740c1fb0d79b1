"""Kaplan-Meier survival curves and the log-rank test, with delayed entry and cluster-robust variance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import BoolArray, FloatArray, IntArray
from servicedesk.reports.numerics.distributions import chi2_tail
from servicedesk.reports.numerics.estimate import Estimate
from servicedesk.reports.numerics.survival import influence
from servicedesk.reports.numerics.survival.lifetimes import Lifetimes, read_lifetimes

ROUNDING = 1e-12
"""Rounding tolerance: a product of many shares may miss one half by this much and still means one half."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SurvivalCurve:
    """Kaplan-Meier curve: share of parts still without failure at each age at which one failed.

    Attributes
    ----------
    time : ndarray
        Ages at which parts failed, ascending.
    at_risk, failures : ndarray
        Parts at risk at that age, and how many of them failed.
    survival, std_error, low, high : ndarray
        Share without failure after that age, its standard error and limits. Once every part at risk has
        failed the share is zero and the other three are NaN.
    start : float
        The age from which the curve is counted: of the parts without failure at ``start``.
    """

    time: FloatArray
    at_risk: IntArray
    failures: IntArray
    survival: FloatArray
    std_error: FloatArray
    low: FloatArray
    high: FloatArray
    start: float

    def at(self, age: float) -> Estimate:
        """Survival at an age, with its limits.

        Parameters
        ----------
        age : float
            Not before ``start``. Beyond the last failure the last share is read on.

        Returns
        -------
        Estimate
        """
        if not age >= self.start:
            raise ValueError(f"The curve starts at age {self.start:g}; it says nothing about age {age:g}.")
        step = int(np.searchsorted(self.time, age, side="right")) - 1
        if step < 0:
            return Estimate(1.0, low=1.0, high=1.0)
        return Estimate(self.survival[step], low=float(self.low[step]), high=float(self.high[step]))

    def quantile(self, p: float) -> Estimate:
        """Quantile of the lifetime: the age by which a share of the parts has failed.

        Parameters
        ----------
        p : float
            Share failed, between 0 and 1; 0.5 gives the median lifetime.

        Returns
        -------
        Estimate
            First age at which at most ``1 - p`` are still without failure; its limits are the ages at which
            the limits of the curve get there. NaN where they do not get there.

        References
        ----------
        .. [1] Brookmeyer, R. and Crowley, J. (1982). A confidence interval for the median survival time.
           Biometrics 38.
        """
        left = 1 - columns.share(p, name="p") + ROUNDING
        return Estimate(
            _first(self.time, self.survival <= left),
            low=_first(self.time, self.low <= left),
            high=_first(self.time, self.high <= left),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class LogRank:
    """Result of the log-rank test: observed and expected failures of each group.

    ``variance`` is the covariance matrix of observed less expected, in the order of ``groups``.
    """

    groups: NDArray[Any]
    observed: IntArray
    expected: FloatArray
    variance: FloatArray
    statistic: float
    degrees: int
    p_value: float


@dataclass(frozen=True, kw_only=True)
class AgesAtRisk:
    """Range of ages with enough parts at risk; NaN where there never were enough."""

    start: float
    stop: float


def kaplan_meier(
    entry: ArrayLike,
    exit: ArrayLike,
    failed: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    from_age: float | None = None,
    confidence: float = 0.95,
) -> SurvivalCurve:
    """Kaplan-Meier estimate of survival with delayed entry, and Greenwood or cluster-robust limits.

    Parameters
    ----------
    entry, exit : array_like
        Ages between which each part was at risk: ``(entry, exit]``. Records of no length are never at risk
        and are left out, with their failures: count them before the call.
    failed : array_like
        Whether the follow-up ended in the part's first failure.
    cluster : array_like, optional
        Site of each part. The variance then lets parts of a site depend on each other, and with fewer than 30
        sites the limits use the t quantile. Without it parts count as independent (Greenwood).
    from_age : float, optional
        Start the curve here: only failures at later ages count, and shares are of parts without failure at
        this age. With delayed entry an early age at which the few parts at risk all failed would hold the
        whole curve at zero.
    confidence : float
        Two-sided confidence of the limits.

    Returns
    -------
    SurvivalCurve

    Raises
    ------
    ValueError
        If columns differ in length, a time is negative or not a number, an exit comes before its entry, or
        nothing was at risk.

    Notes
    -----
    Limits are taken on the log(-log) scale, so they stay between 0 and 1. Assumes that the age of
    entry and of exit is independent of the failure to come (non-informative truncation and censoring).

    References
    ----------
    .. [1] Kaplan, E. L. and Meier, P. (1958). Nonparametric estimation from incomplete observations. JASA 53.
    .. [2] Kalbfleisch, J. D. and Prentice, R. L. (2002). The Statistical Analysis of Failure Time Data.
    .. [3] Klein, J. P. and Moeschberger, M. L. (2003). Survival Analysis.
    """
    level = columns.share(confidence, name="confidence")
    start = 0.0 if from_age is None else columns.amount(from_age, name="from_age")
    lifetimes = read_lifetimes(
        entry, exit, failed, from_age=start, beside={} if cluster is None else {"cluster": cluster}
    )
    tally = lifetimes.tally()
    places = np.flatnonzero(tally.failures)
    at_risk, failures = tally.at_risk()[places], tally.failures[places]
    with np.errstate(divide="ignore"):
        log_survival = np.cumsum(np.log1p(-failures / at_risk))
        hazard = failures / (at_risk * (at_risk - failures))
    variance, reach = np.cumsum(hazard), influence.critical_value(level)
    if cluster is not None:
        spread = _spread_of_log(lifetimes, places=places, at_risk=at_risk, failures=failures)
        variance, reach = spread.variance[places], influence.critical_value(level, clusters=spread.clusters)
    survival, std_error, power = (
        np.exp(log_survival),
        np.full(places.size, np.nan),
        np.full(places.size, np.nan),
    )
    left = survival > 0
    std_error[left] = survival[left] * np.sqrt(variance[left])
    power[left] = np.exp(reach * np.sqrt(variance[left]) / -log_survival[left])
    return SurvivalCurve(
        time=lifetimes.marks[places],
        at_risk=at_risk,
        failures=failures,
        survival=survival,
        std_error=std_error,
        low=survival**power,
        high=survival ** (1 / power),
        start=start,
    )


def log_rank(
    entry: ArrayLike,
    exit: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    *,
    strata: ArrayLike | None = None,
) -> LogRank:
    """Log-rank test of equal survival of groups, stratified on request.

    Parameters
    ----------
    entry, exit, failed : array_like
        As for `kaplan_meier`.
    group : array_like
        Group of each part, two or more.
    strata : array_like, optional
        Compare groups only within these; observed, expected and variance add up over them.

    Returns
    -------
    LogRank
        With no failure at an age where two groups were at risk, the statistic and its degrees are zero and
        the p-value is one.

    Raises
    ------
    ValueError
        As for `kaplan_meier`, and if there are not two groups with parts at risk.

    Notes
    -----
    Hypergeometric variance, delayed entry respected. Treats parts as independent: where sites hold
    several parts, the comparison of mean cumulative functions on first failures is the robust choice.

    References
    ----------
    .. [1] Mantel, N. (1966). Evaluation of survival data and two new rank order statistics arising in its
       consideration. Cancer Chemotherapy Reports 50.
    .. [2] Klein, J. P. and Moeschberger, M. L. (2003). Survival Analysis.
    """
    beside = {"group": group} if strata is None else {"group": group, "strata": strata}
    lifetimes = read_lifetimes(entry, exit, failed, beside=beside)
    labels, kind = np.unique(lifetimes.beside["group"], return_inverse=True)
    if labels.size < 2:
        raise ValueError("group names only one group with parts at risk; a comparison needs two.")
    layer = (
        np.zeros_like(kind)
        if strata is None
        else columns.codes(lifetimes.beside["strata"], name="strata").values
    )
    expected, variance = np.zeros(labels.size), np.zeros((labels.size, labels.size))
    for each in np.unique(layer):
        rows = layer == each
        more_expected, more_variance = _expected(lifetimes.only(rows), kind[rows], groups=labels.size)
        expected += more_expected
        variance += more_variance
    observed = np.bincount(kind[lifetimes.failed], minlength=labels.size)
    statistic, degrees = _quadratic_form(observed - expected, variance)
    return LogRank(
        groups=labels,
        observed=observed,
        expected=expected,
        variance=variance,
        statistic=statistic,
        degrees=degrees,
        p_value=float(chi2_tail(statistic, degrees)) if degrees else 1.0,
    )


def ages_at_risk(entry: ArrayLike, exit: ArrayLike, *, to_start: int = 10, to_go_on: int = 5) -> AgesAtRisk:
    """Range of ages with enough parts at risk for a survival curve.

    Parameters
    ----------
    entry, exit : array_like
        As for `kaplan_meier`.
    to_start : int
        Parts at risk from which a curve may start.
    to_go_on : int
        Parts at risk below which it must stop, at most ``to_start``.

    Returns
    -------
    AgesAtRisk
        The first age after which ``to_start`` parts are at risk, and the age up to which there are
        ``to_go_on`` from there without a break. Both NaN if there never are enough.

    Raises
    ------
    ValueError
        As for `kaplan_meier`, and if ``to_go_on`` is above ``to_start`` or below one.

    References
    ----------
    .. [1] Klein, J. P. and Moeschberger, M. L. (2003). Survival Analysis. (Delayed entry: an early empty risk
       set.)
    """
    if not 1 <= to_go_on <= to_start:
        raise ValueError("to_go_on must be at least 1 and at most to_start.")
    rows = np.zeros(np.shape(entry)[:1], dtype=np.bool_)
    lifetimes = read_lifetimes(entry, exit, rows)
    tally = lifetimes.tally()
    watched = np.cumsum(tally.entries - tally.exits)
    enough = watched >= to_start
    if not enough.any():
        return AgesAtRisk(start=float("nan"), stop=float("nan"))
    start = int(np.argmax(enough))
    # Everybody has left after the last mark, so a shortfall always comes.
    stop = start + int(np.argmax(watched[start:] < to_go_on))
    return AgesAtRisk(start=float(lifetimes.marks[start]), stop=float(lifetimes.marks[stop]))


def _first(time: FloatArray, reached: BoolArray) -> float:
    return float(time[np.argmax(reached)]) if reached.any() else float("nan")


def _spread_of_log(
    lifetimes: Lifetimes, *, places: IntArray, at_risk: IntArray, failures: IntArray
) -> influence.ClusterSpread:
    """Cluster-robust variance of the log survival, by mark."""
    left = at_risk > failures
    share, drift = np.zeros(lifetimes.marks.shape[0]), np.zeros(lifetimes.marks.shape[0])
    share[places[left]] = 1 / (at_risk - failures)[left]
    drift[places[left]] = (failures / at_risk)[left] * share[places[left]]
    watch = influence.FollowUp(
        lifetimes.entry.places,
        lifetimes.exit.places,
        lifetimes.failed,
        columns.codes(lifetimes.beside["cluster"], name="cluster"),
    )
    return influence.spread_by_cluster(watch, share=share, drift=np.cumsum(drift))


def _expected(lifetimes: Lifetimes, kind: IntArray, *, groups: int) -> tuple[FloatArray, FloatArray]:
    """Failures expected of each group if all failed alike, and their hypergeometric covariance."""
    size = lifetimes.marks.shape[0]
    cells = groups * size
    change = np.bincount(kind * size + lifetimes.entry.places, minlength=cells) - np.bincount(
        kind * size + lifetimes.exit.places, minlength=cells
    )
    watched = np.cumsum(change.reshape(groups, size), axis=1)
    failures = np.bincount(lifetimes.exit.places[lifetimes.failed], minlength=size)
    places = np.flatnonzero(failures)
    failures, at_risk = failures[places], watched[:, places - 1]
    everyone = at_risk.sum(axis=0)
    share = at_risk / everyone
    scatter = failures * (everyone - failures) / np.maximum(everyone - 1, 1)
    return share @ failures, np.diag(share @ scatter) - (share * scatter) @ share.T


def _quadratic_form(difference: FloatArray, variance: FloatArray) -> tuple[float, int]:
    """Chi-square statistic and degrees of freedom of a difference, by the pseudoinverse of its covariance."""
    sizes, directions = np.linalg.eigh(variance)
    free = sizes > ROUNDING * max(float(np.trace(variance)), 1.0)
    along = directions[:, free].T @ difference
    return float((along**2 / sizes[free]).sum()), int(free.sum())
