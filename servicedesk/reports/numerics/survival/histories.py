"""Histories of repairable items: spans at risk that may end in failures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import AnyArray, BoolArray, FloatArray, IntArray
from servicedesk.reports.numerics.survival.ages import Placed, put_on_ruler
from servicedesk.reports.numerics.survival.lifetimes import Tally, count_up


@dataclass(frozen=True, eq=False)
class Histories:
    """Counting-process records, one row a span: the marks it is at risk between, and the failures at its end.

    ``beside`` holds what else is known of each span (its item, site, group), one entry a row.
    """

    marks: FloatArray
    start: Placed
    stop: Placed
    events: IntArray | BoolArray
    beside: dict[str, AnyArray]

    def only(self, rows: BoolArray) -> Histories:
        """Subset of the spans, on the same ruler."""
        beside = {name: values[rows] for name, values in self.beside.items()}
        return Histories(self.marks, self.start.only(rows), self.stop.only(rows), self.events[rows], beside)

    def tally(self) -> Tally:
        """Count the spans that begin and end at each mark, and the failures at it."""
        size = self.marks.shape[0]
        if self.events.dtype == np.bool_:
            return count_up(self.start, self.stop, self.events.astype(np.bool_, copy=False), size=size)
        begun, ended = (np.bincount(each.places, minlength=size) for each in (self.start, self.stop))
        failures = columns.sums(self.stop.places, weights=self.events, size=size)
        return Tally(begun, ended, np.rint(failures).astype(np.int64))


def read_histories(
    start: ArrayLike, stop: ArrayLike, event: ArrayLike, *, item: str, beside: dict[str, ArrayLike]
) -> Histories:
    """Validate the columns of histories and index them by a ruler of ages.

    Parameters
    ----------
    start, stop : array_like
        Ages between which the span is at risk: ``(start, stop]``.
    event : array_like
        Failures at ``stop``: none, one, or as many as were found that day.
    item : str
        Which column of ``beside`` says whose history a row belongs to.
    beside : dict of array_like
        Further columns, by name.

    Returns
    -------
    Histories
        Without spans of no length, save those with a failure of an item that was at risk at that age: the
        second of two failures on one day.

    Raises
    ------
    ValueError
        If a column is bad, columns differ in length, or nothing was at risk.
    """
    first, last, real, longest = columns.spans(start, stop, names=("start", "stop"))
    number = _events(event)
    others = {name: columns.column(values, name=name) for name, values in beside.items()}
    columns.same_length(start=first, event=number, **others)
    if not real.any():
        raise ValueError("Nothing was watched: no record has a stop after its start.")
    ruler = put_on_ruler(first, last, longest=longest)
    placed_first, placed_last = ruler.columns
    histories = Histories(ruler.marks, placed_first, placed_last, number, others)
    if real.all():
        return histories
    keep = real.copy()
    second = np.flatnonzero(~real & (number > 0))
    keep[second] = _at_risk(histories, rows=second, item=columns.codes(others[item], name=item).values)
    return histories.only(keep)


def _events(event: ArrayLike) -> IntArray | BoolArray:
    column = columns.column(event, name="event")
    if column.dtype.kind == "b":
        return column
    number = columns.whole_counts(column, name="event")
    # Booleans take an eighth of the memory, and nearly always suffice.
    return number if number.size and number.max() > 1 else number.astype(np.bool_)


def _at_risk(histories: Histories, *, rows: IntArray, item: IntArray) -> BoolArray:
    """Whether another span of the same item was at risk at the age of each of some rows."""
    size = histories.marks.shape[0]
    start, stop = histories.start.places, histories.stop.places
    spans = np.flatnonzero((start < stop) & np.isin(item, item[rows]))
    base, age = item[rows] * size, stop[rows]

    def before(ends: IntArray) -> IntArray:
        ordered = np.sort(item[spans] * size + ends[spans])
        earlier: IntArray = np.searchsorted(ordered, base + age) - np.searchsorted(ordered, base)
        return earlier

    return before(start) > before(stop)
