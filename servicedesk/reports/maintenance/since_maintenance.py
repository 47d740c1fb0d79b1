"""Lifetimes on the time scale of the time since the last maintenance.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.histories import BIG, Histories, Ints, Window
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.rates.strata import AGE_ENDS, AGES

Floats = NDArray[np.float64]

MONTH: Final = DAYS_PER_YEAR / 12
BANDS: Final = ("up to 6 months", "6 to 12 months", "12 to 18 months", "over 18 months")
BAND_ENDS: Final = (0.0, 6 * MONTH, 12 * MONTH, 18 * MONTH, np.inf)


@dataclass(frozen=True, eq=False)
class MaintenanceRows:
    """Spans at risk by time since maintenance: ``event`` failures happened ``stop`` days after the last one.

    ``age`` is the index of the part's age in `strata.AGES`, ``maintenance_on`` the day of that maintenance as
    an ordinal.
    """

    start: Floats
    stop: Floats
    event: Ints
    item: Ints
    site: Ints
    age: Ints
    maintenance_on: Ints

    @property
    def stratum(self) -> Ints:
        """Index of the stratum of site and age, within which comparisons are made."""
        return self.site * len(AGES) + self.age

    def in_bands(self) -> Sequence[MaintenanceRows]:
        """Rows split at the ends of `BANDS`: one set of rows a band."""
        bands = []
        for low, high in pairwise(BAND_ENDS):
            begin, end = np.maximum(self.start, low), np.minimum(self.stop, high)
            overlaps = begin < end
            here = np.where(self.stop <= high, self.event, 0)
            same = (each[overlaps] for each in (self.item, self.site, self.age, self.maintenance_on))
            bands.append(MaintenanceRows(begin[overlaps], end[overlaps], here[overlaps], *same))
        return bands


def clock_from_maintenance(
    histories: Histories, window: Window, *, maintenance_item: Ints, maintenance_age: Ints
) -> tuple[MaintenanceRows, float, int]:
    """Convert lifetimes by age to lifetimes by time since maintenance.

    Parameters
    ----------
    histories
        Lifetimes and failures by age.
    window
        The days that count.
    maintenance_item, maintenance_age
        Item and its age in days at each maintenance.

    Returns
    -------
    rows : MaintenanceRows
        The clock restarts at each maintenance. Maintenance on the day of a failure counts as after it.
    unknown : float
        Days at risk before the first maintenance in a span: the last maintenance is not known, or the time
        since it is just the age, which would confound aging with missing maintenance.
    missed : int
        Failures in that time.
    """
    rows = histories.counting_rows(window)
    order = np.unique(histories.item)
    span_key = np.searchsorted(order, histories.item) * BIG + 2 * histories.entry
    mine = np.isin(maintenance_item, order) & (maintenance_age >= 0)
    maintenance_key = np.unique(
        np.searchsorted(order, maintenance_item[mine]) * BIG + 2 * maintenance_age[mine]
    )
    rank = np.searchsorted(order, rows.item)
    start, stop = (np.rint(2 * ends).astype(np.int64) for ends in (rows.start, rows.stop))
    # Cut each row at maintenance strictly inside it.
    first = np.searchsorted(maintenance_key, rank * BIG + start, side="right")
    inside = np.searchsorted(maintenance_key, rank * BIG + stop, side="left") - first
    cut_row = np.repeat(np.arange(rank.size), inside)
    offset = np.arange(cut_row.size) - np.repeat(np.cumsum(inside) - inside, inside)
    cut_at = maintenance_key[np.repeat(first, inside) + offset] % BIG
    row = np.concatenate([np.arange(rank.size), cut_row])
    ends = np.concatenate([stop, cut_at])
    event = np.concatenate([rows.event, np.zeros(cut_row.size, dtype=np.int64)])
    sort = np.lexsort((ends, row))
    row, ends, event = row[sort], ends[sort], event[sort]
    begin = start[row]
    again = np.flatnonzero(row[1:] == row[:-1]) + 1
    begin[again] = ends[again - 1]
    # The clock starts at the last maintenance at or before, if that fell into the same span.
    key = rank[row] * BIG + begin
    entry = span_key[np.searchsorted(span_key, key, side="right") - 1] % BIG
    place = np.searchsorted(maintenance_key, key, side="right") - 1
    last = maintenance_key[np.maximum(place, 0)] if maintenance_key.size else np.full(row.size, -1)
    known = (place >= 0) & (last // BIG == rank[row]) & (last % BIG >= entry)
    unknown = float((ends - begin)[~known].sum()) / 2
    missed = int(event[~known].sum())
    begin, ends, event, row, origin = (each[known] for each in (begin, ends, event, row, last % BIG))
    maintenance_on = histories.fitted[np.searchsorted(histories.item, rows.item[row])] + origin // 2
    parts = []
    for age, (low, high) in enumerate(pairwise(AGE_ENDS)):
        first, last = np.maximum(begin / 2, low), np.minimum(ends / 2, high)
        overlaps = first < last
        here = np.where(ends / 2 <= high, event, 0)
        parts.append(
            MaintenanceRows(
                (first - origin / 2)[overlaps],
                (last - origin / 2)[overlaps],
                here[overlaps],
                rows.item[row[overlaps]],
                rows.site[row[overlaps]],
                np.full(int(overlaps.sum()), age),
                maintenance_on[overlaps],
            )
        )
    columns = [[getattr(part, each.name) for part in parts] for each in fields(MaintenanceRows)]
    return MaintenanceRows(*(np.concatenate(column) for column in columns)), unknown, missed
