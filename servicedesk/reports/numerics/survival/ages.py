"""Ages indexed by a shared sorted grid (the ruler): a million records become a few thousand counts."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from servicedesk.reports.numerics.columns import AnyArray, BoolArray, FloatArray, IntArray, blocks

SHORTEST_DIRECT = 1 << 16
"""Integer ages up to this many units (180 years of days) always index the ruler directly."""

STEPS = (1, 2)
"""Whole units first, then halves: a failure on the day of fitting is dated half a day old."""


@dataclass(frozen=True, eq=False)
class Placed:
    """Column of ages, and the number of marks of the ruler in one unit of age."""

    ages: AnyArray
    step: int

    @cached_property
    def places(self) -> IntArray:
        """Index of the mark of every age."""
        if self.step == 1 and self.ages.dtype == np.int64:
            return self.ages
        places = np.empty(self.ages.shape[0], dtype=np.int64)
        for rows in blocks(places.shape[0]):
            places[rows] = self.places_of(rows)
        return places

    def places_of(self, rows: slice) -> IntArray:
        """Index of the mark of some ages, without computing the others."""
        ages = self.ages[rows]
        return (ages if self.step == 1 else ages * self.step).astype(np.int64, copy=False)

    def only(self, rows: BoolArray) -> Placed:
        """Subset of the ages."""
        return Placed(self.ages[rows], self.step)


class Ruler(NamedTuple):
    """Marks of the ruler in ascending order, and the columns indexed by them."""

    marks: FloatArray
    columns: tuple[Placed, ...]


def put_on_ruler(*columns: AnyArray, longest: float) -> Ruler:
    """Index every age by a sorted grid of ages that all columns share.

    Ages in whole or half units use the units themselves as marks (some marks are then unused), which needs
    no sorting; any other ages are ranked.

    Parameters
    ----------
    *columns : ndarray
        Finite ages, none negative, each column of any length.
    longest : float
        The greatest of all ages.

    Returns
    -------
    Ruler
        With ``marks[columns[c].places[i]]`` the age of record ``i`` in column ``c``.
    """
    rows = max(column.shape[0] for column in columns)
    for step in STEPS:
        if longest * step < max(SHORTEST_DIRECT, 2 * rows) and all(
            _is_whole(each, step=step) for each in columns
        ):
            return Ruler(
                np.arange(int(longest * step) + 1) / step, tuple(Placed(each, step) for each in columns)
            )
    marks, ranks = np.unique(
        np.concatenate([column.astype(np.float64) for column in columns]), return_inverse=True
    )
    ends = np.cumsum([column.shape[0] for column in columns])[:-1]
    return Ruler(marks, tuple(Placed(each, 1) for each in np.split(ranks, ends)))


def _is_whole(ages: AnyArray, *, step: int) -> bool:
    if ages.dtype.kind != "f":
        return True
    scaled = (ages[rows] if step == 1 else ages[rows] * step for rows in blocks(ages.shape[0]))
    return all(bool((np.floor(each) == each).all()) for each in scaled)
