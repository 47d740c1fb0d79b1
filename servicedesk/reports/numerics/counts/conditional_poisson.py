"""Conditional (within-group) Poisson fit of a power law of time: every group is compared only with itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray, IntArray
from servicedesk.reports.numerics.distributions import chi2_quantile, t_quantile
from servicedesk.reports.numerics.survival.histories import read_histories
from servicedesk.reports.numerics.survival.power_law import FLATTEST, STEEPEST, find_root


@dataclass(frozen=True, kw_only=True)
class ConditionalFit:
    """Power law of time with one shape for all groups and a rate of its own for each.

    Attributes
    ----------
    shape, low, high : float
        Shape with its likelihood-ratio limits; above one failures come faster with time.
    rate : float
        Failures by time one, all groups taken together at that shape.
    events : int
        Failures.
    groups : int
        Groups with a failure: the others carry no information on the shape.
    """

    shape: float
    low: float
    high: float
    rate: float
    events: int
    groups: int


@dataclass(frozen=True, eq=False)
class _Spans:
    """Spans in groups with a failure: logarithms of their ends in units of the longest, and counts."""

    log_start: FloatArray
    log_stop: FloatArray
    group: IntArray
    number: FloatArray
    sum_log: float

    def slope(self, shape: float) -> tuple[FloatArray, FloatArray]:
        """Time at risk of each group in powers of time, and its derivative by the shape."""
        sums = []
        for ends in (self.log_stop, self.log_start):
            grown = np.exp(shape * ends)
            logs = np.where(np.isfinite(ends), ends, 0.0)
            sums.append(
                [columns.sums(self.group, weights=w, size=self.number.size) for w in (grown, grown * logs)]
            )
        (stop, stop_slope), (start, start_slope) = sums
        return stop - start, stop_slope - start_slope

    def score(self, shape: float) -> float:
        """Score: derivative of the profile log-likelihood by the shape; it decreases with the shape."""
        time, slope = self.slope(shape)
        return float(self.number.sum() / shape + self.sum_log - (self.number * slope / time).sum())

    def value(self, shape: float) -> float:
        """Profile log-likelihood of the shape, up to a constant."""
        time, _ = self.slope(shape)
        total = self.number.sum()
        return float(total * math.log(shape) + shape * self.sum_log - (self.number * np.log(time)).sum())


@dataclass(frozen=True, eq=False)
class _Parts:
    """Parts of spans in groups with a failure: logarithms of the ends, shares at risk, and counts.

    ``log_stop`` is counted from the latest end in the row's group, which keeps every power of it in bounds.
    ``width`` is how far the logarithms of a span's ends lie apart: infinite where it begins at zero.
    """

    log_stop: FloatArray
    width: FloatArray
    watched: FloatArray
    event: FloatArray
    group: IntArray
    number: FloatArray

    def value(self, shape: float) -> float:
        """Profile log-likelihood of the shape, up to a constant."""
        grown = shape * self.log_stop + np.log(-np.expm1(-shape * self.width))
        time = columns.sums(self.group, weights=self.watched * np.exp(grown), size=self.number.size)
        return float((self.event * grown).sum() - (self.number * np.log(time)).sum())

    def score(self, shape: float) -> float:
        """Score: derivative of the profile log-likelihood by the shape."""
        wide = shape * self.width
        grown = self.watched * np.exp(shape * self.log_stop) * -np.expm1(-wide)
        with np.errstate(over="ignore", invalid="ignore"):
            slope = self.log_stop + np.where(np.isinf(wide), 0.0, self.width / np.expm1(wide))
        time, steeper = (
            columns.sums(self.group, weights=each, size=self.number.size) for each in (grown, grown * slope)
        )
        return float((self.event * slope).sum() - (self.number * steeper / time).sum())


def fit_conditional(
    start: ArrayLike,
    stop: ArrayLike,
    event: ArrayLike,
    group: ArrayLike,
    *,
    confidence: float = 0.95,
) -> ConditionalFit:
    """Fit a power law of time to recurrent failures, conditional on the failures of every group.

    Parameters
    ----------
    start, stop : array_like
        Times between which each row was at risk.
    event : array_like
        Failures at the end of each row.
    group : array_like
        Group (site) of each row.
    confidence : float
        Two-sided confidence of the limits.

    Returns
    -------
    ConditionalFit

    Raises
    ------
    ValueError
        If columns are bad, nothing failed, or no shape describes the failures.

    Notes
    -----
    Conditional on the number of failures of every group, as in a self-controlled series: what makes one group
    fail more often than another at all times (its sun, its owner, how readily somebody calls) drops out.
    Assumes that within a group a repair leaves an item as it was.

    References
    ----------
    .. [1] Farrington, C. P. (1995). Relative incidence estimation from case series for vaccine safety
       evaluation. Biometrics 51.
    .. [2] Whitaker, H. J., Farrington, C. P., Spiessens, B. and Musonda, P. (2006). Tutorial in
       biostatistics: the self-controlled case series method. Statistics in Medicine 25.
    .. [3] Rigdon, S. E. and Basu, A. P. (2000). Statistical Methods for the Reliability of Repairable
       Systems.
    """
    level = columns.share(confidence, name="confidence")
    histories = read_histories(start, stop, event, item="group", beside={"group": group})
    begin, end = histories.marks[histories.start.places], histories.marks[histories.stop.places]
    codes = np.unique(columns.codes(histories.beside["group"], name="group").values, return_inverse=True)[1]
    count = np.asarray(histories.events, dtype=np.float64)
    total = float(count.sum())
    if total == 0:
        raise ValueError("Nothing failed, so there is no shape to fit.")
    failed = columns.sums(codes, weights=count)
    informative = failed[codes] > 0
    unit = float(end.max())
    with np.errstate(divide="ignore"):
        log_start, log_stop = np.log(begin / unit), np.log(end / unit)
    spans = _Spans(
        log_start=log_start[informative],
        log_stop=log_stop[informative],
        group=np.unique(codes[informative], return_inverse=True)[1],
        number=failed[failed > 0],
        sum_log=float((count * np.where(count > 0, log_stop, 0.0)).sum()),
    )
    best, low, high = _limits(spans, events=total, drop=float(chi2_quantile(level, 1)) / 2)
    time = float((np.exp(best * log_stop) - np.exp(best * log_start)).sum())
    return ConditionalFit(
        shape=best,
        low=low,
        high=high,
        rate=total / time * unit**-best,
        events=int(total),
        groups=int(spans.number.size),
    )


def fit_conditional_parts(
    start: ArrayLike,
    stop: ArrayLike,
    watched: ArrayLike,
    event: ArrayLike,
    group: ArrayLike,
    *,
    telling: int | None = None,
    confidence: float = 0.95,
) -> ConditionalFit:
    """Fit a power law of time to grouped failure times, conditional on the failures of every group.

    Parameters
    ----------
    start, stop : array_like
        Times between which each row's span lies. Where in it a failure fell is not used.
    watched : array_like
        How many spans of that kind were at risk, in whole or in part: 0.5 for half of one.
    event : array_like
        Failures in each row.
    group : array_like
        Group (site, age and month of the year) of each row.
    telling : int, optional
        Failures in groups whose rows differ, at least 2: where these are few, normal limits are too narrow,
        and Student's t on one degree of freedom fewer takes their place.
    confidence : float
        Two-sided confidence of the limits.

    Returns
    -------
    ConditionalFit

    Raises
    ------
    ValueError
        If columns are bad, nothing failed, or no shape describes the failures.

    Notes
    -----
    As `fit_conditional`, for grouped times: a row is expected to have
    ``watched * (stop**shape - start**shape)`` failures times its group's rate. What changes within a span
    (the season within a month) drops out with it.

    References
    ----------
    .. [1] Whitaker, H. J., Farrington, C. P., Spiessens, B. and Musonda, P. (2006). Tutorial in
       biostatistics: the self-controlled case series method. Statistics in Medicine 25.
    """
    level = columns.share(confidence, name="confidence")
    begin, end, real, longest = columns.spans(start, stop, names=("start", "stop"))
    share, count = columns.amounts(watched, name="watched"), columns.amounts(event, name="event")
    codes = columns.codes(group, name="group").values
    columns.same_length(start=begin, watched=share, event=count, group=codes)
    if not (real & (share > 0)).all():
        raise ValueError(
            "A row without any watched time: its stop must come after its start, watched be above 0."
        )
    total = float(count.sum())
    if total == 0:
        raise ValueError("Nothing failed, so there is no shape to fit.")
    failed = columns.sums(codes, weights=count)
    informative = failed[codes] > 0
    with np.errstate(divide="ignore"):
        log_start, log_stop = np.log(begin / longest), np.log(end / longest)
    number = failed[failed > 0]
    own = np.unique(codes[informative], return_inverse=True)[1]
    latest = np.full(number.size, -np.inf)
    np.maximum.at(latest, own, log_stop[informative])
    parts = _Parts(
        log_stop=log_stop[informative] - latest[own],
        width=(log_stop - log_start)[informative],
        watched=share[informative],
        event=count[informative],
        group=own,
        number=number,
    )
    drop = chi2_quantile(level, 1) if telling is None else t_quantile((1 + level) / 2, telling - 1) ** 2
    shape, low, high = _limits(parts, events=total, drop=float(drop) / 2)
    time = float((share * (np.exp(shape * log_stop) - np.exp(shape * log_start))).sum())
    return ConditionalFit(
        shape=shape,
        low=low,
        high=high,
        rate=total / time * longest**-shape,
        events=int(total),
        groups=int(parts.number.size),
    )


def _limits(profile: _Spans | _Parts, *, events: float, drop: float) -> tuple[float, float, float]:
    """Maximum of a profile log-likelihood, and the two shapes at which it is lower by ``drop``."""
    span = (math.log(FLATTEST), math.log(STEEPEST))
    best = find_root(lambda at: profile.score(math.exp(at)), start=0.0, step=0.5, span=span)
    if not math.isfinite(best):
        raise ValueError("No shape describes the failures: they all come as early, or as late, as can be.")
    floor = profile.value(math.exp(best)) - drop
    low, high = (
        math.exp(
            find_root(
                lambda at: profile.value(math.exp(at)) - floor,
                start=best,
                step=side * 1.5 / math.sqrt(events),
                span=span,
            )
        )
        for side in (-1, 1)
    )
    return math.exp(best), low, high
