"""Refitting to sites drawn again, because the next fleet would have had other sites."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse

from servicedesk.reports.lifetimes import columns, power
from servicedesk.reports.lifetimes.columns import AnyArray, FloatArray, IntArray
from servicedesk.reports.lifetimes.histories import read_histories
from servicedesk.reports.lifetimes.lives import read_lives
from servicedesk.reports.lifetimes.power import Intervals, PowerSample
from servicedesk.reports.lifetimes.weibull import date_loosely

AT_ONCE = 50
"""Draws whose records are added up together."""

NEAR = 0.1
"""First step from the shape of the fleet to that of sites drawn again, in logarithms."""


@dataclass(frozen=True, eq=False)
class History:
    """The records a fit was made from, with the site of each row.

    Attributes
    ----------
    entry, exit, failed : array_like
        As for `fit_weibull`; for a power law the spans between repairs, as for `mean_cumulative`.
    cluster : array_like
        Site of each row.
    last_good : array_like, optional
        As for `fit_weibull`.
    """

    entry: ArrayLike
    exit: ArrayLike
    failed: ArrayLike
    cluster: ArrayLike
    last_good: ArrayLike | None = None


class Power(NamedTuple):
    """A power of age: its shape, and the logarithm of the failures per item by age one."""

    shape: float
    log_rate: float


@dataclass(frozen=True, eq=False)
class SiteRecords:
    """The records of every site, to be added up with any weights.

    Rows are sites. ``leaving`` and ``failures`` are counted by mark of the ruler, ``loose`` by interval.
    """

    marks: FloatArray
    unit: float
    leaving: sparse.csr_array
    failures: sparse.csr_array
    loose: sparse.csr_array
    log_low: FloatArray
    log_high: FloatArray

    def weighted(self, weight: FloatArray) -> PowerSample:
        """Add up the records, each site counting so many times."""
        return next(self._weighted_all(weight[:, np.newaxis]))

    def refits(self, *, near: float, times: int, rng: np.random.Generator) -> Iterator[Power]:
        """Fit a power of age to as many sites again, drawn at random with replacement.

        Parameters
        ----------
        near : float
            Shape fitted to the sites as they are.
        times : int
            How often to draw.
        rng : numpy.random.Generator
            Source of chance.

        Yields
        ------
        Power
            One a draw, save for draws whose failures no shape describes.
        """
        sites = self.leaving.shape[0]
        for begin in range(0, times, AT_ONCE):
            draws = [draw_sites(sites, rng=rng) for _ in range(min(AT_ONCE, times - begin))]
            for sample in self._weighted_all(np.stack(draws, axis=1)):
                if sample.number == 0:
                    yield Power(near, -math.inf)
                    continue
                try:
                    best = sample.fit(start=near, step=NEAR)
                except ValueError:
                    continue
                yield Power(best.shape, best.log_rate(self.unit))

    def _weighted_all(self, weights: FloatArray) -> Iterator[PowerSample]:
        """Add up the records by each column of weights; all columns at once cost little more than one."""
        leaving, failures, loose = (each.T @ weights for each in (self.leaving, self.failures, self.loose))
        for column in range(weights.shape[1]):
            yield power.sample(
                self.marks,
                leaving=leaving[:, column],
                failures=failures[:, column],
                unit=self.unit,
                intervals=Intervals(self.log_low, self.log_high, loose[:, column]),
            )


def draw_sites(sites: int, *, rng: np.random.Generator) -> FloatArray:
    """Draw as many sites as there are, with replacement; answer how often each came."""
    return np.bincount(rng.integers(sites, size=sites), minlength=sites).astype(np.float64)


def records_of_lives(history: History) -> SiteRecords:
    """Sort the records of lives that end by site."""
    beside = {"cluster": history.cluster}
    if history.last_good is not None:
        beside["last_good"] = history.last_good
    lives = read_lives(history.entry, history.exit, history.failed, beside=beside)
    site = _sites(lives.beside["cluster"])
    if history.last_good is None:
        return _records(lives.marks, site, lives.entry.places, lives.exit.places, lives.failed)
    dated = date_loosely(lives)
    sites = int(site.max()) + 1
    exactly = _records(dated.marks, site, dated.entry.places, dated.stop.places, dated.failed)
    loose = _by_site(
        site[dated.loose], dated.interval, np.ones(dated.loose.size), shape=(sites, dated.log_low.size)
    )
    return replace(exactly, unit=dated.unit, loose=loose, log_low=dated.log_low, log_high=dated.log_high)


def records_of_repairs(history: History) -> SiteRecords:
    """Sort the records of items that are repaired and go on by site."""
    found = read_histories(
        history.entry, history.exit, history.failed, item="cluster", beside={"cluster": history.cluster}
    )
    site = _sites(found.beside["cluster"])
    return _records(found.marks, site, found.start.places, found.stop.places, found.events)


def _sites(cluster: AnyArray) -> IntArray:
    return np.unique(columns.codes(cluster, name="cluster").values, return_inverse=True)[1]


def _records(
    marks: FloatArray, site: IntArray, entry: IntArray, exit: IntArray, failures: AnyArray
) -> SiteRecords:
    ends = np.concatenate([entry, exit])
    change = np.repeat([-1.0, 1.0], [entry.size, exit.size])
    shape = (int(site.max()) + 1, marks.size)
    nothing = np.zeros(0)
    return SiteRecords(
        marks=marks,
        unit=float(marks[exit.max()]),
        leaving=_by_site(np.tile(site, 2), ends, change, shape=shape),
        failures=_by_site(site, exit, failures.astype(np.float64), shape=shape),
        loose=sparse.csr_array((shape[0], 0)),
        log_low=nothing,
        log_high=nothing,
    )


def _by_site(
    site: IntArray, place: IntArray, number: FloatArray, *, shape: tuple[int, int]
) -> sparse.csr_array:
    """Add up numbers by site and place."""
    return sparse.coo_array((number, (site, place)), shape=shape).tocsr()
