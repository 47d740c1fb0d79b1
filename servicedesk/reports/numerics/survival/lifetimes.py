"""Lifetimes under follow-up on a ruler of ages: parts at risk and failures at each age."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import AnyArray, BoolArray, FloatArray, IntArray, blocks
from servicedesk.reports.numerics.survival.ages import Placed, put_on_ruler


@dataclass(frozen=True, eq=False)
class Lifetimes:
    """Lifetimes, one row a part: the marks it is at risk between, and whether it failed at the second.

    ``beside`` holds what else is known of each part (its site, its group), one entry a row.
    """

    marks: FloatArray
    entry: Placed
    exit: Placed
    failed: BoolArray
    beside: dict[str, AnyArray] = field(default_factory=dict)

    def only(self, rows: BoolArray) -> Lifetimes:
        """Subset of the parts, on the same ruler."""
        beside = {name: values[rows] for name, values in self.beside.items()}
        return Lifetimes(self.marks, self.entry.only(rows), self.exit.only(rows), self.failed[rows], beside)

    def tally(self) -> Tally:
        """Count the parts that enter, leave and fail at each mark."""
        return count_up(self.entry, self.exit, self.failed, size=self.marks.shape[0])


class Tally(NamedTuple):
    """Parts that enter, leave and fail at each mark of a ruler."""

    entries: IntArray
    exits: IntArray
    failures: IntArray

    def at_risk(self) -> IntArray:
        """Count the parts at risk at each mark: entered before it and not gone before it."""
        watched = np.cumsum(self.entries - self.exits)
        return np.concatenate([[0], watched[:-1]])


def count_up(entry: Placed, exit: Placed, failed: BoolArray, *, size: int) -> Tally:
    """Count spans by the marks they begin and end at, and those that end in a failure."""
    entries, ends = np.zeros(size, dtype=np.int64), np.zeros(2 * size, dtype=np.int64)
    for rows in blocks(failed.shape[0], least=8 * size):
        # One count of two kinds of exit is faster than selecting the failures first.
        ends += np.bincount(2 * exit.places_of(rows) + failed[rows], minlength=2 * size)
        entries += np.bincount(entry.places_of(rows), minlength=size)
    return Tally(entries, ends[::2] + ends[1::2], ends[1::2])


def read_lifetimes(
    entry: ArrayLike,
    exit: ArrayLike,
    failed: ArrayLike,
    *,
    from_age: float = 0.0,
    beside: dict[str, ArrayLike] | None = None,
) -> Lifetimes:
    """Validate the columns of lifetimes and index them by a ruler of ages.

    Parameters
    ----------
    entry, exit, failed : array_like
        Ages between which each part was at risk, and whether the follow-up ended in a failure.
    from_age : float
        Count only the follow-up after this age.
    beside : dict of array_like, optional
        Further columns, by name.

    Returns
    -------
    Lifetimes
        Without the records of no length, which are never at risk.

    Raises
    ------
    ValueError
        If a column is bad, columns differ in length, or nothing is left.
    """
    first, last, at_risk, longest = columns.spans(entry, exit, names=("entry", "exit"))
    failure = columns.flags(failed, name="failed")
    others = {name: columns.column(values, name=name) for name, values in (beside or {}).items()}
    columns.same_length(entry=first, failed=failure, **others)
    if from_age > 0:
        first = np.maximum(first, from_age)
        at_risk = first < last
    if not at_risk.all():
        first, last, failure = first[at_risk], last[at_risk], failure[at_risk]
        others = {name: values[at_risk] for name, values in others.items()}
    if first.size == 0:
        raise ValueError(
            "Nothing was watched: no record has an exit after its entry" + _after(from_age) + "."
        )
    ruler = put_on_ruler(first, last, longest=longest)
    placed_first, placed_last = ruler.columns
    return Lifetimes(ruler.marks, placed_first, placed_last, failure, others)


def _after(age: float) -> str:
    return f" and after age {age:g}" if age > 0 else ""
