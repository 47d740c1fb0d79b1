"""Time since maintenance by calendar month, to keep the season apart from the time since maintenance.

This module imports no Django.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.histories import Flags, Ints
from servicedesk.reports.maintenance.since_maintenance import BAND_ENDS, MONTH, MaintenanceRows

Floats = NDArray[np.float64]

APART: Final = 2 * MONTH
"""Least difference between times since maintenance, in days, that is informative beyond the season."""

EPOCH: Final = 719163
"""The ordinal of 1 January 1970, from which numpy counts days."""


@dataclass(frozen=True, eq=False)
class MaintenanceMonths:
    """Failures and days at risk by site, age of the part, month of the year, and time since maintenance.

    Only strata of site, age and month of the year with a failure are in it: others carry no information on
    failures by time since maintenance.

    Attributes
    ----------
    stratum
        Index of the stratum of site, age and month of the year.
    low, high
        Ends of the row's month in days since maintenance.
    days, event
        Days at risk and failures in it.
    """

    stratum: Ints
    low: Floats
    high: Floats
    days: Floats
    event: Ints

    @property
    def middle(self) -> Floats:
        """Middle of each month in days since maintenance, which depends on the day of maintenance alone."""
        middle: Floats = (self.low + self.high) / 2
        return middle

    @property
    def band(self) -> Ints:
        """Index of each month's band in `since_maintenance.BANDS`."""
        return np.searchsorted(BAND_ENDS, self.middle) - 1

    @property
    def telling(self) -> int:
        """Informative failures: their stratum was at risk both sooner and longer after maintenance."""
        size = int(self.stratum.max()) + 1 if self.stratum.size else 0
        least, most = np.full(size, np.inf), np.full(size, -np.inf)
        np.minimum.at(least, self.stratum, self.middle)
        np.maximum.at(most, self.stratum, self.middle)
        return int(self.event[(most - least)[self.stratum] >= APART].sum())


def cut_at_months(rows: MaintenanceRows) -> MaintenanceMonths:
    """Split spans since maintenance at calendar months, and sum equal rows.

    Notes
    -----
    One month of the year is computed at a time, and of it only sites and ages with a failure in it, so that
    memory grows with the failures and not with all parts times all months at risk.
    """
    begin_on, end_on = rows.maintenance_on + rows.start, rows.maintenance_on + rows.stop
    first = month_of(np.floor(begin_on).astype(np.int64) + 1)
    last = month_of(np.ceil(end_on).astype(np.int64))
    strata, rank = np.unique(rows.stratum, return_inverse=True)
    failed = np.zeros((12, strata.size), dtype=np.bool_)
    hit = rows.event > 0
    failed[last[hit] % 12, rank[hit]] = True
    by_month = [_one_month(rows, rank, first, last, month, failed[month]) for month in range(12)]
    columns = [np.concatenate(each) for each in zip(*by_month, strict=True)]
    return MaintenanceMonths(np.unique(columns[0], return_inverse=True)[1], *columns[1:])


def _one_month(
    rows: MaintenanceRows, rank: Ints, first: Ints, last: Ints, month: int, failed: Flags
) -> tuple[Any, ...]:
    """Stratum, ends in days since maintenance, days at risk and failures of one month of the year."""
    here = np.flatnonzero(failed[rank])
    earliest = first[here] + (month - first[here]) % 12
    years = np.maximum((last[here] - earliest) // 12 + 1, 0)
    row = np.repeat(here, years)
    since = np.arange(row.size) - np.repeat(np.cumsum(years) - years, years)
    at = np.repeat(earliest, years) + 12 * since
    maintenance_on, opens, closes = rows.maintenance_on[row], _eve_of(at), _eve_of(at + 1)
    days = np.minimum(rows.stop[row], closes - maintenance_on) - np.maximum(
        rows.start[row], opens - maintenance_on
    )
    event = np.where(rows.maintenance_on[row] + rows.stop[row] <= closes, rows.event[row], 0)
    low, high = np.maximum(opens - maintenance_on, 0), closes - maintenance_on
    # A month has at most 31 days, so its end and its length pack both ends into one integer.
    span = high * 64 + (high - low)
    key = rank[row] * (int(span.max(initial=0)) + 1) + span
    kinds, place, alike = np.unique(key, return_index=True, return_inverse=True)
    return (
        rank[row][place] * 12 + month,
        low[place].astype(np.float64),
        high[place].astype(np.float64),
        np.bincount(alike, weights=days, minlength=kinds.size),
        np.bincount(alike, weights=event, minlength=kinds.size).astype(np.int64),
    )


def month_of(day: Ints) -> Ints:
    """Number of the month of a day, given as an ordinal; January is a multiple of twelve."""
    return (day - EPOCH).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)


def _eve_of(month: Ints) -> Ints:
    """Ordinal of the last day before a month."""
    return month.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) + EPOCH - 1
