"""Vectorized power-law fits to many bootstrap draws, by Chebyshev interpolation over the shape."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev

from servicedesk.reports.numerics.columns import AnyArray, FloatArray

WINDOW = 1.0
"""Half width of a window around the shape of the fleet, in logarithms."""

NODES = 48
"""Chebyshev nodes: shapes at which sums of powers are computed; a polynomial interpolates them.

The error falls like ``rho**-NODES`` with ``rho = coth(WINDOW) + 1 / sinh(WINDOW)``, about 2.2 (Trefethen,
Approximation Theory and Approximation Practice, chapter 8): to less than the rounding of the sums.
"""

DERIVATIVES = np.zeros((NODES, NODES))
DERIVATIVES[:, :-1] = chebyshev.chebder(np.eye(NODES), axis=1)
"""Row by row, the coefficients of the derivative of each Chebyshev polynomial."""

SMALLEST = 1e-5
"""A sum of powers that falls to less than this share over the window is too inexact: such a draw is fitted
by itself."""

CLOSE = 1e-9
"""Relative step of Newton's method at which a draw has converged: the next one would be about its square."""

STEPS = 100
"""Most iterations, more than bisection of a window to the last digit takes."""


@dataclass(frozen=True, eq=False)
class ShapeWindow:
    """Interval of shapes over which sums of powers are interpolated by Chebyshev polynomials."""

    low: float
    high: float

    @classmethod
    def around(cls, near: float, *, beside: int = 0) -> ShapeWindow:
        """Window around a shape, or the one ``beside`` windows above (or below) it."""
        middle = near * math.exp(2 * WINDOW * beside)
        return cls(middle * math.exp(-WINDOW), middle * math.exp(WINDOW))

    def coefficients(self, log_age: FloatArray, number: Any) -> FloatArray:
        """Chebyshev coefficients of ``sum(number * age**shape)`` as a function of the shape.

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
        """Sums at one shape each, from B shapes and B x `NODES` coefficients or those of one sum."""
        return np.asarray((self.basis(shape) * coefficients).sum(axis=-1), dtype=np.float64)

    def basis(self, shape: FloatArray) -> FloatArray:
        """Chebyshev polynomials at some shapes, a row each."""
        place = (2 * shape - self.low - self.high) / (self.high - self.low)
        return np.asarray(chebyshev.chebvander(place, NODES - 1), dtype=np.float64)

    def slopes(self, coefficients: FloatArray) -> FloatArray:
        """Coefficients of the derivatives by the shape."""
        slopes: FloatArray = coefficients @ DERIVATIVES * 2 / (self.high - self.low)
        return slopes

    def _shapes(self, place: FloatArray) -> FloatArray:
        shapes: FloatArray = (self.low + self.high + (self.high - self.low) * place) / 2
        return shapes


def refit_at_once(
    window: ShapeWindow, time: FloatArray, failures: FloatArray, sum_log: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Fit a power law to B draws by Newton's method, with bisection where a step leaves the bracket.

    Parameters
    ----------
    window : ShapeWindow
        The shapes searched.
    time : ndarray
        B x `NODES`: coefficients of each draw's time at risk in powers of age.
    failures, sum_log : ndarray
        Failures of each draw, and the sum of the logarithms of their ages.

    Returns
    -------
    shape, level : ndarray
        NaN where nothing failed, the shape lies outside the window, or the sums lose digits in it.
    """
    every = _Profiles.of(window, time, failures, sum_log)
    shape, level = np.full(failures.size, math.nan), np.full(failures.size, math.nan)
    (rising, _, most), (falling, _, least) = (
        every.scores(np.array([end])) for end in (window.low, window.high)
    )
    rows = np.flatnonzero((failures > 0) & (rising > 0) & (falling < 0) & (least > SMALLEST * most))
    left = every.some(rows)
    low, high = np.full(rows.size, window.low), np.full(rows.size, window.high)
    at = np.sqrt(low * high)
    for _ in range(STEPS):
        value, steepness, _ = left.scores(at)
        low, high = np.where(value > 0, at, low), np.where(value > 0, high, at)
        step = at - value / steepness
        # Rounding may take a converged draw just across its bracket.
        done = (np.abs(step - at) <= CLOSE * at) | (high - low <= CLOSE * at)
        at = np.where(
            done, np.clip(step, low, high), np.where((step > low) & (step < high), step, (low + high) / 2)
        )
        shape[rows] = at
        if done.all():
            break
        if 2 * done.sum() >= rows.size:  # leaving out a few costs more than keeping them
            rows, left, at, low, high = rows[~done], left.some(~done), at[~done], low[~done], high[~done]
    finite = np.flatnonzero(np.isfinite(shape))
    level[finite] = np.log(window.values(shape[finite], time[finite]) / failures[finite])
    return shape, level


@dataclass(frozen=True, eq=False)
class _Profiles:
    """Profile log-likelihoods of B draws as functions of the shape.

    ``powers`` has a plane each for the time at risk in powers of age and its first two derivatives, and in it
    a column a draw.
    """

    window: ShapeWindow
    powers: FloatArray
    failures: FloatArray
    sum_log: FloatArray

    @classmethod
    def of(
        cls, window: ShapeWindow, time: FloatArray, failures: FloatArray, sum_log: FloatArray
    ) -> _Profiles:
        slope = window.slopes(time)
        powers = np.stack([each.T for each in (time, slope, window.slopes(slope))])
        return cls(window, powers, failures, sum_log)

    def some(self, rows: AnyArray) -> _Profiles:
        """Subset of the draws."""
        return _Profiles(self.window, self.powers[:, :, rows], self.failures[rows], self.sum_log[rows])

    def scores(self, at: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Score of each draw, its derivative, and the time at risk, at a shape each or one for all."""
        whole, first, second = np.einsum("cn,kcn->kn", self.window.basis(at).T, self.powers)
        with np.errstate(divide="ignore", invalid="ignore"):  # draws without time at risk are left out later
            value = self.failures * (1 / at - first / whole) + self.sum_log
            steepness = -self.failures * (1 / at**2 + second / whole - (first / whole) ** 2)
        return value, steepness, whole
