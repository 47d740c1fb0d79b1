"""Cluster bootstrap of the power-law fit: refits to sites drawn with replacement."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import AnyArray, FloatArray, IntArray
from servicedesk.reports.numerics.survival import power_law as power
from servicedesk.reports.numerics.survival.histories import read_histories
from servicedesk.reports.numerics.survival.power_law import FLATTEST, PowerSample
from servicedesk.reports.numerics.survival.refits import ShapeWindow, refit_at_once

LARGEST_DRAWS = 4_000_000
"""Weights (draws times sites) in memory at once: more take more memory and no less time."""

WINDOWS = (0, 1, -1)
"""Windows of shapes searched: that of the fleet, the one above, and the one below."""

NEAR = 0.1
"""First step from the shape of the fleet to that of a draw, in logarithms."""


@dataclass(frozen=True, eq=False)
class History:
    """Spans at risk between repairs, with the site of each row.

    Attributes
    ----------
    entry, exit, failed : array_like
        The spans between repairs, as for `mean_cumulative`.
    cluster : array_like
        Site of each row.
    """

    entry: ArrayLike
    exit: ArrayLike
    failed: ArrayLike
    cluster: ArrayLike


class Power(NamedTuple):
    """Power law of age: its shape, and the logarithm of the failures per item by age one."""

    shape: float
    log_rate: float


@dataclass(frozen=True, eq=False)
class SiteRecords:
    """Sufficient counts of every site, to be summed with any weights.

    Rows are sites. ``leaving`` and ``failures`` are counted by mark of the ruler.
    """

    marks: FloatArray
    unit: float
    leaving: sparse.csr_array
    failures: sparse.csr_array

    def weighted(self, weight: FloatArray) -> PowerSample:
        """Sum the records with a weight for each site."""
        leaving, failures = (each.T @ weight for each in (self.leaving, self.failures))
        return power.sample(self.marks, leaving=leaving, failures=failures, unit=self.unit)

    def refit_all(self, weights: FloatArray, *, near: float) -> tuple[FloatArray, FloatArray]:
        """Refit the power law to every row of bootstrap weights, one weight a site.

        Returns
        -------
        shape, log_rate : ndarray
            NaN for weights whose failures no shape describes; a rate of nothing where nothing failed.
        """
        log_age, leaving, failed, logs = self._above_zero
        failures, sum_log = weights @ failed, weights @ logs
        shape, level = np.full(failures.size, math.nan), np.full(failures.size, math.nan)
        left = failures > 0
        for beside in WINDOWS:
            rows = np.flatnonzero(left & np.isnan(shape))
            if rows.size:
                window = ShapeWindow.around(near, beside=beside)
                time = weights[rows] @ window.coefficients(log_age, leaving)
                shape[rows], level[rows] = refit_at_once(window, time, failures[rows], sum_log[rows])
        log_rate = -level - shape * math.log(self.unit)
        shape[~left], log_rate[~left] = near, -math.inf
        rows = np.flatnonzero(np.isnan(shape))
        # The score decreases with the shape: where it is below zero at the flattest, no shape fits.
        for row in rows[~(self._scores_at_flattest(weights[rows]) <= 0)]:
            shape[row], log_rate[row] = self._refit(weights[row], near=near)
        return shape, log_rate

    @cached_property
    def _above_zero(self) -> tuple[FloatArray, sparse.csr_array, FloatArray, FloatArray]:
        """Log ages of the used marks above zero; by site, net exits there, failures, and sums of log ages."""
        used = np.unique(np.concatenate([self.leaving.indices, self.failures.indices]))
        used = used[self.marks[used] > 0]
        log_age = np.log(self.marks[used] / self.unit)
        failures = self.failures[:, used]
        return log_age, self.leaving[:, used], failures.sum(axis=1), failures @ log_age

    def _scores_at_flattest(self, weights: FloatArray) -> FloatArray:
        """Score (derivative of the profile log-likelihood by the shape) of each row at the flattest shape."""
        log_age, leaving, failed, logs = self._above_zero
        change = np.expm1(FLATTEST * log_age)
        from_new = -self.leaving[:, self.marks == 0].sum(axis=1)
        time, slope = (
            weights @ each for each in (from_new + leaving @ change, leaving @ (log_age * (1 + change)))
        )
        failures, sum_log = weights @ failed, weights @ logs
        scores: FloatArray = failures / FLATTEST + sum_log - failures * slope / time
        return scores

    def _refit(self, weight: FloatArray, *, near: float) -> Power:
        """Fit the power law to one row of weights."""
        sample = self.weighted(weight)
        if sample.number == 0:
            return Power(near, -math.inf)
        try:
            best = sample.fit(start=near, step=NEAR)
        except ValueError:
            return Power(math.nan, math.nan)
        return Power(best.shape, best.log_rate(self.unit))


def draws_of_sites(sites: int, times: int, *, rng: np.random.Generator) -> Iterator[FloatArray]:
    """Weights of a cluster bootstrap as from `draw_all_sites`, in batches that bound the memory."""
    at_once = max(1, LARGEST_DRAWS // sites)
    for begin in range(0, times, at_once):
        yield draw_all_sites(sites, min(at_once, times - begin), rng=rng)


def draw_all_sites(sites: int, times: int, *, rng: np.random.Generator) -> FloatArray:
    """Weights of a cluster bootstrap: how often each draw with replacement takes each site."""
    drawn = rng.integers(sites, size=(times, sites))
    drawn += sites * np.arange(times)[:, np.newaxis]
    return np.bincount(drawn.ravel(), minlength=times * sites).reshape(times, sites).astype(np.float64)


def records_of_repairs(history: History) -> SiteRecords:
    """Records by site of repairable items, from a history."""
    histories = read_histories(
        history.entry, history.exit, history.failed, item="cluster", beside={"cluster": history.cluster}
    )
    site = _sites(histories.beside["cluster"])
    return _records(histories.marks, site, histories.start.places, histories.stop.places, histories.events)


def records_of_spans(
    start: FloatArray, stop: FloatArray, events: IntArray, site: IntArray, *, sites: int, weight: FloatArray
) -> SiteRecords:
    """Records by site of repairable items, from spans whose time at risk is weighted."""
    marks, place = np.unique(np.concatenate([start, stop]), return_inverse=True)
    shape = (sites, marks.size)
    return SiteRecords(
        marks=marks,
        unit=float(marks[-1]),
        leaving=_by_site(np.tile(site, 2), place, np.concatenate([-weight, weight]), shape=shape),
        failures=_by_site(site, place[start.size :], events.astype(np.float64), shape=shape),
    )


def _sites(cluster: AnyArray) -> IntArray:
    return np.unique(columns.codes(cluster, name="cluster").values, return_inverse=True)[1]


def _records(
    marks: FloatArray, site: IntArray, entry: IntArray, exit: IntArray, failures: AnyArray
) -> SiteRecords:
    ends = np.concatenate([entry, exit])
    change = np.repeat([-1.0, 1.0], [entry.size, exit.size])
    shape = (int(site.max()) + 1, marks.size)
    return SiteRecords(
        marks=marks,
        unit=float(marks[exit.max()]),
        leaving=_by_site(np.tile(site, 2), ends, change, shape=shape),
        failures=_by_site(site, exit, failures.astype(np.float64), shape=shape),
    )


def _by_site(
    site: IntArray, place: IntArray, number: FloatArray, *, shape: tuple[int, int]
) -> sparse.csr_array:
    """Sparse matrix of sums by site and mark."""
    return sparse.coo_array((number, (site, place)), shape=shape).tocsr()
