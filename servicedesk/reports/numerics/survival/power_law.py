"""Likelihood of a power-law hazard of age, for Weibull lifetimes and for repairable items.

A Weibull lifetime and a power-law process have the same hazard, ``shape * age**(shape - 1) * exp(-level)``
with ages in units of the oldest one, and their records the same likelihood, so both are fitted here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy import optimize, special

from servicedesk.reports.numerics.columns import AnyArray, FloatArray
from servicedesk.reports.numerics.distributions import chi2_quantile

FLATTEST, STEEPEST = 1e-4, 1e4
"""Range of shapes searched: none beyond fits failures dated in practice."""

LARGEST_LOG = 700.0
"""Largest exponent that does not overflow."""

STEPS = 60
"""Most iterations, more than Newton's method takes."""

LOOKS = 9
"""Shapes of the grid on which the extreme over a region is first searched."""


class Intervals(NamedTuple):
    """Interval-censored failures: logarithms of both ages (in units of the oldest) and their numbers."""

    low: FloatArray
    high: FloatArray
    number: FloatArray


NO_INTERVALS = Intervals(np.zeros(0), np.zeros(0), np.zeros(0))


@dataclass(frozen=True, eq=False)
class PowerSample:
    """Sufficient statistics of the power-law likelihood.

    Attributes
    ----------
    unit : float
        The oldest age; all other ages are in units of it.
    log_age, leaving : ndarray
        Logarithms of the ages at which spans began or ended, and how many more ended than began there.
    from_new : float
        How many more began than ended at age zero.
    failures, sum_log : float
        Failures dated exactly, and the sum of the logarithms of their ages.
    intervals : Intervals
        Failures dated between two ages; they are at risk up to the earlier one.
    """

    unit: float
    log_age: FloatArray
    leaving: FloatArray
    from_new: float
    failures: float
    sum_log: float
    intervals: Intervals = NO_INTERVALS

    @property
    def number(self) -> float:
        """Number of failures, dated exactly or between two ages."""
        return self.failures + float(self.intervals.number.sum())

    def at(self, shape: float) -> PowerSlice:
        """Likelihood at one shape, as a function of the level."""
        # Net exits above age zero sum to ``from_new``: taking one off each power loses no digits.
        change = np.expm1(shape * self.log_age)
        weighted = self.leaving * self.log_age
        return PowerSlice(
            shape=shape,
            failures=self.failures,
            constant=self.failures * math.log(shape) + (shape - 1) * self.sum_log,
            time=self.from_new + float(self.leaving @ change),
            slope=float(weighted @ change + weighted.sum()),
            sum_log=self.sum_log,
            intervals=self.intervals,
        )

    def fit(self, *, start: float = 1.0, step: float = 0.5) -> PowerSlice:
        """Maximum-likelihood shape and level, searched from a starting shape.

        Parameters
        ----------
        start : float
            Shape to start from.
        step : float
            First step, in the logarithm of the shape.
        """
        log_shape = find_root(
            lambda at: self.at(math.exp(at)).score,
            start=math.log(start),
            step=step,
            span=(math.log(FLATTEST), math.log(STEEPEST)),
        )
        if log_shape == -math.inf:
            raise ValueError(
                "The failures come too soon after coming under watch for a shape above zero to describe them."
            )
        if log_shape == math.inf:
            raise ValueError(
                "Every failure is at the oldest age watched, so no shape is steep enough for them."
            )
        return self.at(math.exp(log_shape))


def sample(
    marks: FloatArray,
    *,
    leaving: AnyArray,
    failures: AnyArray,
    unit: float,
    intervals: Intervals = NO_INTERVALS,
) -> PowerSample:
    """Sufficient statistics of the power-law likelihood, from how many items leave and fail at each age.

    Parameters
    ----------
    marks : ndarray
        Ages, ascending.
    leaving, failures : ndarray
        At each mark, how many more items leave than enter, and how many fail (dated exactly).
    unit : float
        An age no younger than the oldest at risk.
    intervals : Intervals
        Failures dated between two ages.

    Returns
    -------
    PowerSample
    """
    used, hit = np.flatnonzero((leaving != 0) & (marks > 0)), np.flatnonzero(failures)
    return PowerSample(
        unit=unit,
        log_age=np.log(marks[used] / unit),
        leaving=leaving[used].astype(np.float64),
        from_new=-float(leaving[marks == 0].sum()),
        failures=float(failures[hit].sum()),
        sum_log=float(failures[hit] @ np.log(marks[hit] / unit)),
        intervals=intervals,
    )


@dataclass(frozen=True, eq=False)
class PowerSlice:
    """The likelihood at one shape, as a function of the level (the shape times the logarithm of the scale).

    ``time`` is the time at risk in powers of age, ``slope`` its derivative by the shape.
    """

    shape: float
    failures: float
    constant: float
    time: float
    slope: float
    sum_log: float
    intervals: Intervals

    @cached_property
    def level(self) -> float:
        """Maximum likelihood estimate of the level at this shape."""
        if self.time <= 0:
            raise ValueError(
                "No item was watched before the span its failure is dated in, so nothing bounds the scale."
            )
        number = self.failures + float(self.intervals.number.sum())
        low = math.log(self.time / number)
        if not self.intervals.number.size:
            return low
        # The chance of failing in an interval is bounded from both sides by that of a constant hazard.
        half = float(self.intervals.number @ np.exp(self._log_width)) / 2
        high = math.log((self.time + half) / number)
        return float(optimize.brentq(self._pull, low - 1e-6, high + 1e-6, xtol=1e-13))

    def log_rate(self, unit: float) -> float:
        """Logarithm of the failures per item by age one, in the units of the input."""
        return -self.level - self.shape * math.log(unit)

    @property
    def highest(self) -> float:
        """Profile log-likelihood at this shape."""
        return self.value(self.level)

    def value(self, level: float) -> float:
        """Log-likelihood at a level."""
        value = self.constant - self.failures * level - math.exp(-level) * self.time
        if self.intervals.number.size:
            # For a tiny hazard the log of the failure probability is that of the hazard.
            log_hazard = np.clip(self._log_width - level, -30, LARGEST_LOG)
            chance = np.log(-np.expm1(-np.exp(log_hazard))) + np.minimum(self._log_width - level + 30, 0)
            value += float(self.intervals.number @ chance)
        return value

    @property
    def score(self) -> float:
        """Score: derivative of the profile log-likelihood by the shape; it decreases with the shape.

        The logarithm of the time at risk less that of the shape is that of a moment generating function of
        log ages, which is convex.
        """
        score = self.failures / self.shape + self.sum_log - math.exp(-self.level) * self.slope
        if self.intervals.number.size:
            low, high, number = self.intervals
            known = np.isfinite(low)
            gap = np.where(known, high - low, 1.0)
            growth = high + np.where(known, gap / np.expm1(np.minimum(self.shape * gap, LARGEST_LOG)), 0.0)
            score += float((number * growth) @ self._slowing(self.level))
        return score

    def edges(self, floor: float) -> tuple[float, float]:
        """The two levels at which the log-likelihood equals a floor."""
        number = self.failures + float(self.intervals.number.sum())
        drop = max(self.highest - floor, 0.0) / number
        step = math.sqrt(2 * drop)
        if step < 1e-9:
            return self.level, self.level
        if not self.intervals.number.size:
            low, high = _levels_below(drop)
            return self.level + low, self.level + high
        low, high = (self._edge(floor, self.level + direction * step) for direction in (-1, 1))
        return low, high

    def _edge(self, floor: float, level: float) -> float:
        """Level at which the log-likelihood equals a floor, by Newton's method from a level near by.

        The log-likelihood is concave, so from the first step on each comes closer from outside.
        """
        for _ in range(STEPS):
            step = (floor - self.value(level)) / self._pull(level)
            level += step
            if abs(step) <= 1e-11 * max(1.0, abs(level)):
                break
        return level

    @cached_property
    def _log_width(self) -> FloatArray:
        low, high, _ = self.intervals
        width: FloatArray = self.shape * high + np.log(-np.expm1(self.shape * (low - high)))
        return width

    def _slowing(self, level: float) -> FloatArray:
        """Factor on the hazard in the score of interval-censored failures, at most one."""
        slowing: FloatArray = 1 / special.exprel(np.exp(np.minimum(self._log_width - level, LARGEST_LOG)))
        return slowing

    def _pull(self, level: float) -> float:
        """Derivative of the log-likelihood by the level."""
        inside = self.intervals.number @ self._slowing(level)
        return math.exp(-level) * self.time - self.failures - float(inside)


def _levels_below(drop: float) -> tuple[float, float]:
    """Distances from the maximum to the levels at which the log-likelihood is lower by ``drop`` a failure.

    With failures dated exactly it is lower by ``exp(-change) + change - 1`` for each of them. Both searches
    begin outside of the root, where that is convex, so Newton's method comes closer each time.
    """
    low = -min(math.sqrt(2 * drop), math.log1p(drop + math.sqrt(2 * drop)))
    high = drop + min(1.0, math.sqrt(2 * drop))
    roots = []
    for change in (low, high):
        for _ in range(STEPS):
            step = (math.expm1(-change) + change - drop) / math.expm1(-change)
            change += step
            if abs(step) <= 1e-15 * abs(change):
                break
        roots.append(change)
    return roots[0], roots[1]


@dataclass(frozen=True, eq=False)
class PowerRegion:
    """Likelihood-ratio confidence region of shape and level."""

    sample: PowerSample
    best: PowerSlice
    floor: float
    shape_low: float
    shape_high: float

    @classmethod
    def around(cls, sample: PowerSample, best: PowerSlice, *, confidence: float) -> PowerRegion:
        """Likelihood-ratio confidence region around the maximum, with one degree of freedom."""
        floor = best.highest - float(chi2_quantile(confidence, 1)) / 2
        step = 1.5 / math.sqrt(sample.number)
        low, high = (
            math.exp(
                find_root(
                    lambda at: sample.at(math.exp(at)).highest - floor,
                    start=math.log(best.shape),
                    step=direction * step,
                    span=(math.log(FLATTEST), math.log(STEEPEST)),
                )
            )
            for direction in (-1, 1)
        )
        return cls(sample, best, floor, low, high)

    @cached_property
    def _looks(self) -> tuple[FloatArray, list[tuple[float, float]]]:
        """Grid of log shapes across the region, and the limits of the level at each."""
        low, high = max(self.shape_low, FLATTEST), min(self.shape_high, STEEPEST)
        looks = np.linspace(math.log(low), math.log(high), LOOKS)
        return looks, [self.sample.at(math.exp(look)).edges(self.floor) for look in looks]

    def reach(self, measure: Callable[[float, float], float], *, side: int, rises: bool) -> float:
        """Minimum (side -1) or maximum (side 1) of a function of shape and level over the region.

        ``rises`` says whether the measure rises with the level.
        """
        edge = 1 if rises == (side > 0) else 0

        def cost(log_shape: float) -> float:
            shape = math.exp(log_shape)
            return -side * measure(shape, self.sample.at(shape).edges(self.floor)[edge])

        looks, edges = self._looks
        costs = [-side * measure(math.exp(look), each[edge]) for look, each in zip(looks, edges, strict=True)]
        # At its maximum the measure is flat in the shape, so a coarse tolerance of the shape is exact enough.
        nearest = int(np.argmin(costs))
        bounds = looks[max(nearest - 1, 0)], looks[min(nearest + 1, LOOKS - 1)]
        result = optimize.minimize_scalar(cost, bounds=bounds, method="bounded", options={"xatol": 1e-6})
        return -side * min(costs[nearest], float(result.fun))


def find_root(
    function: Callable[[float], float], *, start: float, step: float, span: tuple[float, float]
) -> float:
    """Root of a function by doubling steps from a start until the sign changes, then Brent's method.

    Parameters
    ----------
    function : callable
        To be brought to zero.
    start : float
        Where to begin. If the function is negative there, the search goes the other way.
    step : float
        First step, doubled until zero is passed.
    span : tuple of float
        Range of the search.

    Returns
    -------
    float
        Minus or plus infinity if zero is not passed within the span.
    """
    sign = 1.0 if function(start) >= 0 else -1.0
    near, stride = start, sign * step
    while True:
        far = min(max(near + stride, span[0]), span[1])
        if sign * function(far) < 0:
            return float(optimize.brentq(function, min(near, far), max(near, far), xtol=1e-11, rtol=1e-12))
        if far in span:
            return math.copysign(math.inf, stride)
        near, stride = far, 2 * stride
