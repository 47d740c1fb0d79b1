"""Powers of age refitted to many draws of sites at once, to the last digits of fitting each by itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev

from servicedesk.reports.lifetimes.columns import BoolArray, FloatArray

WINDOW = 1.0
"""How far from the shape of the fleet draws are looked for at once, in logarithms."""

NODES = 48
"""Shapes at which sums of powers are worked out; a polynomial gives them in between.

The error falls like ``rho**-NODES`` with ``rho = coth(WINDOW) + 1 / sinh(WINDOW)``, about 2.2 (Trefethen,
Approximation Theory and Approximation Practice, chapter 8): to less than the rounding of the sums.
"""

CLOSE = 1e-9
"""Last relative step: Newton's next one would be about its square."""

STEPS = 100
"""More steps than halving a window of shapes to the last digit takes."""


@dataclass(frozen=True, eq=False)
class ShapeWindow:
    """The shapes around one, over which sums of powers are known by their Chebyshev coefficients."""

    low: float
    high: float

    @classmethod
    def around(cls, near: float) -> ShapeWindow:
        """Lay a window around a shape."""
        return cls(near * math.exp(-WINDOW), near * math.exp(WINDOW))

    def coefficients(self, log_age: FloatArray, number: Any) -> FloatArray:
        """Give the coefficients of ``sum(number * age**shape)`` by the shape.

        Parameters
        ----------
        log_age : ndarray
            Logarithms of M ages.
        number : ndarray or sparse array
            S x M: how often each age comes, one sum a row.

        Returns
        -------
        ndarray
            S x `NODES`.
        """
        nodes = np.cos((np.arange(NODES) + 0.5) * math.pi / NODES)
        powers = np.exp(np.multiply.outer(log_age, self._shapes(nodes)))
        transform = chebyshev.chebvander(nodes, NODES - 1) * 2 / NODES
        transform[:, 0] /= 2
        sums: FloatArray = np.asarray(number @ powers) @ transform
        return sums

    def values(self, shape: FloatArray, coefficients: FloatArray) -> FloatArray:
        """Give the sums at one shape each: B shapes, and B x `NODES` coefficients or those of one sum."""
        return np.asarray((self.basis(shape) * coefficients).sum(axis=-1), dtype=np.float64)

    def basis(self, shape: FloatArray) -> FloatArray:
        """Give the Chebyshev polynomials at some shapes, a row each."""
        place = (2 * shape - self.low - self.high) / (self.high - self.low)
        return np.asarray(chebyshev.chebvander(place, NODES - 1), dtype=np.float64)

    def slopes(self, coefficients: FloatArray) -> FloatArray:
        """Give the coefficients of the derivatives by the shape."""
        slopes = np.zeros_like(coefficients)
        slopes[:, :-1] = chebyshev.chebder(coefficients, axis=1) * 2 / (self.high - self.low)
        return slopes

    def _shapes(self, place: FloatArray) -> FloatArray:
        shapes: FloatArray = (self.low + self.high + (self.high - self.low) * place) / 2
        return shapes


def refit_at_once(
    window: ShapeWindow, time: FloatArray, failures: FloatArray, sum_log: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Fit a power of age to B draws by Newton's method, halving the bracket where a step leaves it.

    Parameters
    ----------
    window : ShapeWindow
        The shapes looked through.
    time : ndarray
        B x `NODES`: coefficients of each draw's time at risk in powers of age.
    failures, sum_log : ndarray
        Failures of each draw, and the sum of the logarithms of their ages.

    Returns
    -------
    shape, level : ndarray
        NaN where nothing failed or the shape lies outside the window.
    """
    slope = window.slopes(time)
    bend = window.slopes(slope)

    def score(at: FloatArray, rows: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Give the derivative of the profile log-likelihood by the shape, and its own derivative."""
        basis = window.basis(at)
        whole, first, second = ((basis * each[rows]).sum(axis=1) for each in (time, slope, bend))
        number = failures[rows]
        value = number / at + sum_log[rows] - number * first / whole
        return value, -number / at**2 - number * (second / whole - (first / whole) ** 2)

    size = failures.size
    shape = np.full(size, math.nan)
    low, high = np.full(size, window.low), np.full(size, window.high)
    every = np.ones(size, dtype=np.bool_)
    inside = (failures > 0) & (score(low, every)[0] > 0) & (score(high, every)[0] < 0)
    at, low, high = (each[inside] for each in (np.sqrt(low * high), low, high))
    for _ in range(STEPS):
        value, steepness = score(at, inside)
        low, high = np.where(value > 0, at, low), np.where(value > 0, high, at)
        step = at - value / steepness
        following = np.where((step > low) & (step < high), step, (low + high) / 2)
        moved = np.abs(following - at)
        at = following
        if not (moved > CLOSE * at).any():
            break
    shape[inside] = at
    level = np.full(size, math.nan)
    level[inside] = np.log(window.values(at, time[inside]) / failures[inside])
    return shape, level
