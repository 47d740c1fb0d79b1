"""Failure intensity by age: a power law, or a piecewise constant rate where no power law fits."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from servicedesk.reports.numerics.columns import FloatArray, IntArray, sums
from servicedesk.reports.numerics.distributions import chi2_tail
from servicedesk.reports.numerics.survival.bootstrap import SiteRecords, draws_of_sites, records_of_spans
from servicedesk.reports.numerics.survival.refits import ShapeWindow

YEAR = 365.25
BANDS = YEAR * np.array([0, 0.25, 0.5, 1, 2, 3, 4, 5, 6, 8, 10, 13, 16, 20, 25, 30])
"""Ages in days at which bands begin, finer where parts are young."""

FROM_AGES = YEAR * np.array([0, 0.25, 0.5, 1, 2, 3, 5])
"""Ages from which on a power law is tried, one after the other."""

IN_BAND = 5.0
"""Fewest failures expected in a band, so that a chi-square test is valid (Cochran 1954)."""

ENOUGH = 10
"""Fewest failures that a power law is fitted to."""

REJECTED = 0.2
"""Level at which a power law is rejected: rather too soon, as it still competes by Akaike's criterion."""

REPLICATES = 1000


@dataclass(frozen=True, eq=False)
class Spans:
    """Spans at risk cut at every failure, ages in days.

    ``weight`` is the share of the failures of a span that are recorded by now; ``site`` counts from zero.
    """

    start: FloatArray
    stop: FloatArray
    events: IntArray
    site: IntArray
    weight: FloatArray
    sites: int

    def after(self, age: float) -> Spans:
        """Spans cut off before an age."""
        start = np.maximum(self.start, age)
        rows = start < self.stop
        return Spans(
            start[rows], self.stop[rows], self.events[rows], self.site[rows], self.weight[rows], self.sites
        )

    def by_band(self, edges: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Failures and weighted time at risk by site and age band; failures count at the end of a span."""
        shape = (self.sites, edges.size - 1)
        band = np.searchsorted(edges, self.stop, side="left") - 1
        inside = band < shape[1]
        failures = sums(
            self.site[inside] * shape[1] + band[inside], weights=self.events[inside], size=math.prod(shape)
        )
        time = np.empty(shape)
        for number, (low, high) in enumerate(pairwise(edges)):
            within = np.clip(self.stop, low, high) - np.clip(self.start, low, high)
            time[:, number] = sums(self.site, weights=within * self.weight, size=shape[0])
        return failures.reshape(shape), time


@dataclass(frozen=True, eq=False)
class Intensity:
    """Failure intensity by age: piecewise constant over bands, then a power law.

    ``edges`` are the ages at which the bands begin and the last of them ends; the power law, if there is
    one, goes on from there.
    """

    edges: FloatArray
    rates: FloatArray
    shape: float | None = None
    log_rate: float = -math.inf

    def by_age(self, age: FloatArray) -> FloatArray:
        """Cumulative intensity: failures expected of a new item by some ages."""
        widths = np.diff(self.edges)
        inside = np.clip(np.asarray(age)[..., np.newaxis] - self.edges[:-1], 0, widths) @ self.rates
        if self.shape is None:
            return np.asarray(inside, dtype=np.float64)
        begin = self.edges[-1]
        grown = np.maximum(age, begin) ** self.shape - begin**self.shape
        return np.asarray(inside + math.exp(self.log_rate) * grown, dtype=np.float64)

    def at(self, age: FloatArray) -> FloatArray:
        """Failures an item has a day at some ages above zero."""
        place = np.searchsorted(self.edges, age, side="left") - 1
        rate: FloatArray = np.append(self.rates, 0.0)[np.minimum(place, self.rates.size)]
        if self.shape is None:
            return rate
        later = math.exp(self.log_rate) * self.shape * age ** (self.shape - 1)
        return np.asarray(np.where(place >= self.rates.size, later, rate), dtype=np.float64)

    def between(self, start: FloatArray, stop: FloatArray) -> FloatArray:
        """Failures expected of items between two ages."""
        return self.by_age(stop) - self.by_age(start)


@dataclass(frozen=True, eq=False)
class FittedIntensity:
    """Fitted intensity with the records by site it was fitted to."""

    best: Intensity
    band_failures: FloatArray
    band_time: FloatArray
    later: SiteRecords | None

    def drawn_means(
        self, ages: FloatArray, horizon: float, *, times: int = REPLICATES, seed: int = 0
    ) -> FloatArray:
        """Cluster bootstrap of the failures expected of some items within a horizon.

        Parameters
        ----------
        ages : ndarray
            Age of each item in days.
        horizon : float
            Days of the forecast.
        times : int
            Draws; those whose failures no shape describes are left out.
        seed : int
            Of the draws.
        """
        draws = draws_of_sites(self.band_time.shape[0], times, rng=np.random.default_rng(seed))
        means: FloatArray = np.concatenate([self._means(weights, ages, horizon) for weights in draws])
        return means[np.isfinite(means)]

    def _means(self, weights: FloatArray, ages: FloatArray, horizon: float) -> FloatArray:
        """Failures expected of some items for every row of weights, one weight a site."""
        ahead = [
            float((np.clip(ages + horizon, low, high) - np.clip(ages, low, high)).sum())
            for low, high in pairwise(self.best.edges)
        ]
        time = weights @ self.band_time
        rates = np.divide(weights @ self.band_failures, time, out=np.zeros_like(time), where=time > 0)
        means: FloatArray = rates @ np.array(ahead)
        if self.later is None or self.best.shape is None:
            return means
        shape, log_rate = self.later.refit_all(weights, near=self.best.shape)
        return means + _grown(self.best.shape, ages, horizon, self.best.edges[-1], shape, log_rate)


def _grown(
    near: float, ages: FloatArray, horizon: float, begin: float, shape: FloatArray, log_rate: FloatArray
) -> FloatArray:
    """Failures expected of some items within a horizon for many power laws of age from ``begin`` on."""
    begun, end = np.maximum(ages, begin), np.maximum(ages + horizon, begin)
    age, place = np.unique(np.concatenate([end, begun]), return_inverse=True)
    number = sums(place, weights=np.repeat([1.0, -1.0], ages.size), size=age.size)
    age, number = age[age > 0], number[age > 0]
    unit = float(age.max())
    logs = np.log(age / unit)
    window = ShapeWindow.around(near)
    inside = (shape >= window.low) & (shape <= window.high)
    grown = np.full(shape.size, math.nan)
    coefficients = window.coefficients(logs, number[np.newaxis, :])
    grown[inside] = window.values(shape[inside], coefficients)
    beside = ~inside & ~np.isnan(shape)
    grown[beside] = np.exp(np.multiply.outer(shape[beside], logs)) @ number
    with np.errstate(over="ignore"):
        means: FloatArray = np.maximum(grown, 0.0) * np.exp(log_rate + shape * math.log(unit))
    return means


def fit_intensity(spans: Spans, *, design_effect: float = 1.0) -> FittedIntensity:
    """Fit a power law of age, or where it is rejected, the best of power laws with bands and bands alone.

    Parameters
    ----------
    spans : Spans
        Of repairable items.
    design_effect : float
        Inflation of the variance by shared sites.

    Returns
    -------
    FittedIntensity

    Raises
    ------
    ValueError
        If nothing failed.

    Notes
    -----
    Failures by age band are tested against those of the fitted power law by chi-square, divided by the design
    effect. Where they do not agree, power laws that begin after a few months or years, with rates by band
    before, and rates by band alone compete with it by Akaike's criterion.

    References
    ----------
    .. [1] Crow, L. H. (1975). Reliability analysis for complex, repairable systems. AMSAA TR-138.
    .. [2] Akaike, H. (1974). A new look at the statistical model identification. IEEE Transactions on
       Automatic Control 19.
    .. [3] Cochran, W. G. (1954). Some methods for strengthening the common chi-square tests. Biometrics 10.
    .. [4] Rao, J. N. K. and Scott, A. J. (1999). A simple method for analysing overdispersion in clustered
       Poisson data. Statistics in Medicine 18.
    """
    if not spans.events.sum():
        raise ValueError("Nothing failed, so there is nothing to fit.")
    powers = _powers(spans)
    first = next(powers, None)
    if first is not None and first.best.edges.size == 1 and _agrees(first.best, spans, design_effect):
        return first
    bands = _with_bands(spans, _edges(spans, np.append(BANDS, np.inf)), None, None)
    fits = [*([] if first is None else [first]), *powers, bands]
    return min(fits, key=lambda fitted: _information(fitted.best, spans, design_effect))


def _information(best: Intensity, spans: Spans, effect: float) -> float:
    """Akaike's criterion of an intensity, with the log-likelihood divided by the design effect."""
    failed = spans.events > 0
    rates = best.at(spans.stop[failed])
    likelihood = spans.events[failed] @ np.log(rates) - spans.weight @ best.between(spans.start, spans.stop)
    parameters = best.rates.size + 2 * (best.shape is not None)
    return float(-2 * float(likelihood) / effect + 2 * parameters)


def _powers(spans: Spans) -> Iterator[FittedIntensity]:
    """Fit power laws from one age after the other, as long as there are enough failures."""
    for age in FROM_AGES:
        after = spans.after(age)
        if after.events.sum() < ENOUGH:
            return
        records = records_of_spans(
            after.start, after.stop, after.events, after.site, sites=spans.sites, weight=after.weight
        )
        try:
            best = records.weighted(np.ones(spans.sites)).fit()
        except ValueError:
            continue
        edges = _edges(spans, np.append(BANDS[age > BANDS], age)) if age else np.zeros(1)
        power = (best.shape, best.log_rate(records.unit))
        yield _with_bands(spans, edges, power, records)


def _with_bands(
    spans: Spans, edges: FloatArray, power: tuple[float, float] | None, later: SiteRecords | None
) -> FittedIntensity:
    if edges.size > 1:
        failures, time = spans.by_band(edges)
    else:
        failures, time = np.zeros((2, spans.sites, 0))
    rates = failures.sum(axis=0) / np.maximum(time.sum(axis=0), 1e-9)
    finite = np.where(np.isfinite(edges), edges, 1e6)
    best = Intensity(finite, rates, *(power or ()))
    return FittedIntensity(best, failures, time, later)


def _edges(spans: Spans, edges: FloatArray) -> FloatArray:
    """Edges of bands, joined with their younger neighbors until each has enough expected failures."""
    _, time = spans.by_band(edges)
    each = time.sum(axis=0)
    rate = spans.events.sum() / (spans.weight * (spans.stop - spans.start)).sum()
    return _joined(edges, rate * each)


def _joined(edges: FloatArray, expected: FloatArray) -> FloatArray:
    """Edges between which enough failures are expected."""
    joined, so_far = [edges[0]], 0.0
    for edge, number in zip(edges[1:], expected, strict=True):
        so_far += number
        if so_far >= IN_BAND:
            joined.append(edge)
            so_far = 0.0
    if len(joined) == 1:
        joined.append(edges[-1])
    joined[-1] = edges[-1]
    return np.array(joined)


def _agrees(best: Intensity, spans: Spans, effect: float) -> bool:
    """Whether failures by age band agree with a power law, by a chi-square test."""
    ends = np.append(BANDS[best.edges[-1] < BANDS], np.inf)
    edges = np.concatenate([best.edges[-1:], ends])
    start, stop = best.by_age(spans.start), best.by_age(spans.stop)

    def expected_between(edges: FloatArray) -> FloatArray:
        """Failures expected in each band, from the cumulative intensity clipped to the band."""
        by = best.by_age(edges)
        begun, ended = (np.clip(each[:, np.newaxis], by[:-1], by[1:]) for each in (start, stop))
        expected: FloatArray = spans.weight @ (ended - begun)
        return expected

    edges = _joined(edges, expected_between(edges))
    degrees = edges.size - 3
    if degrees < 1:
        return True
    band = np.searchsorted(edges, spans.stop, side="left") - 1
    seen = sums(band, weights=spans.events, size=edges.size - 1)
    expected = expected_between(edges)
    gap = float(((seen - expected) ** 2 / expected).sum()) / effect
    return bool(chi2_tail(gap, degrees) >= REJECTED)
