"""Whether failures come faster with time when every group is held only against itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from servicedesk.reports.lifetimes import columns
from servicedesk.reports.lifetimes.columns import FloatArray, IntArray
from servicedesk.reports.lifetimes.histories import read_histories
from servicedesk.reports.lifetimes.power import FLATTEST, STEEPEST, find_root


@dataclass(frozen=True, kw_only=True)
class WithinFit:
    """A power of time that all groups share, each at a rate of its own.

    Attributes
    ----------
    shape, low, high : float
        With its likelihood-ratio limits; above one failures come faster with time.
    rate : float
        Failures by time one, all groups taken together at that shape.
    events : int
        Failures.
    groups : int
        Groups with a failure: the others say nothing of the shape.
    """

    shape: float
    low: float
    high: float
    rate: float
    events: int
    groups: int


@dataclass(frozen=True, eq=False)
class _Spans:
    """Spans in groups that had a failure: logarithms of their ends in units of the longest, and counts."""

    log_start: FloatArray
    log_stop: FloatArray
    group: IntArray
    number: FloatArray
    sum_log: float

    def slope(self, shape: float) -> tuple[FloatArray, FloatArray]:
        """Give each group's time at risk under a shape, and its derivative."""
        found = []
        for ends in (self.log_stop, self.log_start):
            grown = np.exp(shape * ends)
            logs = np.where(np.isfinite(ends), ends, 0.0)
            found.append(
                [columns.sums(self.group, weights=w, size=self.number.size) for w in (grown, grown * logs)]
            )
        (stop, stop_slope), (start, start_slope) = found
        return stop - start, stop_slope - start_slope

    def score(self, shape: float) -> float:
        """Give the derivative of the profile log-likelihood; it falls steadily."""
        time, slope = self.slope(shape)
        return float(self.number.sum() / shape + self.sum_log - (self.number * slope / time).sum())

    def value(self, shape: float) -> float:
        """Give the profile log-likelihood, without what does not depend on the shape."""
        time, _ = self.slope(shape)
        total = self.number.sum()
        return float(total * math.log(shape) + shape * self.sum_log - (self.number * np.log(time)).sum())


def fit_within(
    start: ArrayLike,
    stop: ArrayLike,
    event: ArrayLike,
    group: ArrayLike,
    *,
    confidence: float = 0.95,
) -> WithinFit:
    """Fit a power of time to repeated failures, with a rate of its own for every group.

    Parameters
    ----------
    start, stop : array_like
        Times between which each row was watched.
    event : array_like
        Failures at the end of each row.
    group : array_like
        Group (site) of each row.
    confidence : float
        Two-sided confidence of the limits.

    Returns
    -------
    WithinFit

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
    found = read_histories(start, stop, event, item="group", beside={"group": group})
    begin, end = found.marks[found.start.places], found.marks[found.stop.places]
    codes = np.unique(columns.codes(found.beside["group"], name="group").values, return_inverse=True)[1]
    count = np.asarray(found.events, dtype=np.float64)
    total = float(count.sum())
    if total == 0:
        raise ValueError("Nothing failed, so there is no shape to fit.")
    failed = columns.sums(codes, weights=count)
    told = failed[codes] > 0
    unit = float(end.max())
    with np.errstate(divide="ignore"):
        log_start, log_stop = np.log(begin / unit), np.log(end / unit)
    spans = _Spans(
        log_start=log_start[told],
        log_stop=log_stop[told],
        group=np.unique(codes[told], return_inverse=True)[1],
        number=failed[failed > 0],
        sum_log=float((count * np.where(count > 0, log_stop, 0.0)).sum()),
    )
    span = (math.log(FLATTEST), math.log(STEEPEST))
    best = find_root(lambda at: spans.score(math.exp(at)), start=0.0, step=0.5, span=span)
    if not math.isfinite(best):
        raise ValueError("No shape describes the failures: they all come as early, or as late, as can be.")
    floor = spans.value(math.exp(best)) - float(stats.chi2.ppf(level, 1)) / 2
    low, high = (
        math.exp(
            find_root(
                lambda at: spans.value(math.exp(at)) - floor,
                start=best,
                step=side * 1.5 / math.sqrt(total),
                span=span,
            )
        )
        for side in (-1, 1)
    )
    shape = math.exp(best)
    time = float((np.exp(shape * log_stop) - np.exp(shape * log_start)).sum())
    return WithinFit(
        shape=shape,
        low=low,
        high=high,
        rate=total / time * unit**-shape,
        events=int(total),
        groups=int(spans.number.size),
    )
