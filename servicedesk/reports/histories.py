"""Lifetimes under follow-up as the rows that the estimators of curves take.

Ages are whole days from fitting; a failure on the day of fitting happened at half a day. This module imports
no Django.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]

BIG = 1 << 21
"""More half days than any part was ever at risk (2,870 years)."""


@dataclass(frozen=True)
class Window:
    """Window of days that count, as ordinals: after one (0: from the beginning) and up to another."""

    after: int
    last: int


@dataclass(frozen=True, eq=False)
class CountingRows:
    """Spans at risk cut at every failure: ``event`` failures happened at ``stop``."""

    start: Floats
    stop: Floats
    event: Ints
    item: Ints
    site: Ints

    def between(self, start: float, stop: float) -> CountingRows:
        """Rows cut to ages after ``start`` and up to ``stop``."""
        begin, end = np.maximum(self.start, start), np.minimum(self.stop, stop)
        overlaps = begin < end
        event = np.where(self.stop <= stop, self.event, 0)
        return CountingRows(
            begin[overlaps], end[overlaps], event[overlaps], self.item[overlaps], self.site[overlaps]
        )


@dataclass(frozen=True, eq=False)
class FirstFailures:
    """Lifetimes, one row an item: ages of its first unbroken follow-up, up to its first failure.

    ``good`` is the age at which a part that failed was last known to be good, NaN where not known; it lies
    between ``entry`` and ``exit``.
    """

    entry: Floats
    exit: Floats
    failed: Flags
    item: Ints
    site: Ints
    good: Floats


@dataclass(frozen=True, eq=False)
class Histories:
    """Spans at risk, in the order of items and ages, and the failures in them.

    Attributes
    ----------
    groups : list
        Keys of the groups; ``group`` has indexes into it.
    item, group, site, fitted, entry, exit : ndarray
        One row a span: the part, its group, its site, the day it was fitted (as an ordinal), and the ages
        between which it was at risk.
    event_item, event_age, event_mode, event_count, event_good : ndarray
        One row a part, age and failure mode: how many failures, each within a span of the part, and the age
        at which the part was last known to be good (-1 where not known).
    """

    groups: list[Any]
    item: Ints
    group: Ints
    site: Ints
    fitted: Ints
    entry: Ints
    exit: Ints
    event_item: Ints
    event_age: Ints
    event_mode: Ints
    event_count: Ints
    event_good: Ints

    def place(self, key: Any) -> int:
        """Index of a group, -1 where no part of it was at risk."""
        return self.groups.index(key) if key in self.groups else -1

    def of_group(self, place: int) -> Histories:
        """Histories of the parts of one group."""
        return self._of_spans(self.group == place)

    def of_keys(self, keys: Iterable[Any]) -> Histories:
        """Histories of the parts of some groups."""
        return self._of_spans(np.isin(self.group, [self.place(key) for key in keys]))

    def _of_spans(self, mine: Flags) -> Histories:
        spans = {
            name: getattr(self, name)[mine] for name in ("item", "group", "site", "fitted", "entry", "exit")
        }
        return replace(self, **spans)._with_events(np.isin(self.event_item, spans["item"]))

    def of_mode(self, mode: int) -> Histories:
        """Histories with the failures of one mode; the time at risk stays."""
        return self._with_events(self.event_mode == mode)

    def counting_rows(self, window: Window) -> CountingRows:
        """Counting-process rows: spans cut at every failure, within the days that count."""
        entry, exit = self._window(window)
        span, age = self._place_events(window)
        at = np.where(age == 0, 1, 2 * age)
        # Fitted and failed on the last day that counts: at risk for half of it.
        np.maximum.at(exit, span[age == 0], 1)
        count = self.event_count[self._counted(window)]
        at_risk = np.flatnonzero(exit > entry)
        cut, where = np.unique(
            np.concatenate([span * BIG + at, at_risk * BIG + exit[at_risk]]), return_inverse=True
        )
        events = np.bincount(where[: span.size], weights=count, minlength=cut.size).astype(np.int64)
        row, stop = cut // BIG, cut % BIG
        first = np.ones(cut.size, dtype=np.bool_)
        first[1:] = row[1:] != row[:-1]
        start = np.where(first, entry[row], np.concatenate([[0], stop[:-1]]))
        return CountingRows(start / 2, stop / 2, events, self.item[row], self.site[row])

    def first_failures(self, window: Window) -> FirstFailures:
        """First unbroken follow-up of each item up to its first failure, within the days that count."""
        begins, ends = self._first_blocks()
        entry, exit, item = 2 * self.entry[begins], 2 * self.exit[ends], self.item[begins]
        fitted, site = self.fitted[begins], self.site[begins]
        age = self._first_age(item, entry=entry, exit=exit)
        failed = age >= 0
        exit = np.where(failed, np.where(age == 0, 1, 2 * age), exit)
        late = failed & (fitted + age > window.last)
        early = failed & (fitted + age <= window.after)
        failed &= ~late
        exit = np.where(failed, exit, np.minimum(exit, 2 * (window.last - fitted)))
        entry = np.maximum(entry, 2 * (window.after - fitted))
        good = np.where(failed, 2 * self._good_before(item, age), -1)
        at_risk = (exit > entry) & ~early
        known = np.where(good < 0, np.nan, np.minimum(np.maximum(good, entry), exit - 1) / 2)
        return FirstFailures(
            entry[at_risk] / 2,
            exit[at_risk] / 2,
            failed[at_risk],
            item[at_risk],
            site[at_risk],
            known[at_risk],
        )

    def _with_events(self, mask: Flags) -> Histories:
        names = ("event_item", "event_age", "event_mode", "event_count", "event_good")
        return replace(self, **{name: getattr(self, name)[mask] for name in names})

    def _window(self, window: Window) -> tuple[Ints, Ints]:
        """Ends of the spans in half days, within the days that count."""
        entry, exit = np.maximum(self.entry, window.after - self.fitted), self.exit
        return 2 * entry, 2 * np.minimum(exit, window.last - self.fitted)

    def _counted(self, window: Window) -> Flags:
        """Mask of the failures on days that count."""
        on = self.fitted[np.searchsorted(self.item, self.event_item)] + self.event_age
        return (on <= window.last) & (on > window.after)

    def _place_events(self, window: Window) -> tuple[Ints, Ints]:
        """Index of the span and age of each failure on days that count."""
        counted = self._counted(window)
        item, age = self.event_item[counted], self.event_age[counted]
        rank = np.searchsorted(np.unique(self.item), self.item)
        event_rank = rank[np.searchsorted(self.item, item)]
        at = np.where(age == 0, 1, 2 * age)
        # The last span that began before the failure; spans of one item never overlap.
        span = np.searchsorted(rank * BIG + 2 * self.entry, event_rank * BIG + at) - 1
        return span.astype(np.int64), age

    def _first_blocks(self) -> tuple[Ints, Ints]:
        """First and last span of each item's first unbroken follow-up (spans that meet are unbroken)."""
        size = self.item.size
        new_item, broken = np.ones(size, dtype=np.bool_), np.ones(size, dtype=np.bool_)
        new_item[1:] = self.item[1:] != self.item[:-1]
        broken[1:] = new_item[1:] | (self.entry[1:] > self.exit[:-1])
        begins = np.flatnonzero(new_item)
        blocks = np.append(np.flatnonzero(broken), size)
        ends = blocks[np.searchsorted(blocks, begins, side="right")] - 1
        return begins, ends

    def _first_age(self, item: Ints, *, entry: Ints, exit: Ints) -> Ints:
        """Age at each item's first failure within its first follow-up, -1 where there is none."""
        place = np.searchsorted(item, self.event_item)
        at = np.where(self.event_age == 0, 1, 2 * self.event_age)
        inside = (at > entry[place]) & (at <= exit[place])
        first = np.full(item.size, BIG, dtype=np.int64)
        np.minimum.at(first, place[inside], self.event_age[inside])
        return np.where(first == BIG, -1, first)

    def _good_before(self, item: Ints, age: Ints) -> Ints:
        """Age at which each item was last known to be good before it failed at ``age``."""
        place = np.searchsorted(item, self.event_item)
        mine = self.event_age == age[place]
        good = np.full(item.size, -1, dtype=np.int64)
        np.maximum.at(good, place[mine], self.event_good[mine])
        return good
