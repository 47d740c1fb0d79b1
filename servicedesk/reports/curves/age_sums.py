"""Failures and time at risk of groups by year of age, with indirect standardization by age.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.histories import CountingRows, Ints
from servicedesk.reports.numerics.columns import sums
from servicedesk.reports.numerics.counts.site_variance import Cells
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR

Floats = NDArray[np.float64]

YEARS: Final = 12
"""Number of one-year age bands; older ages are pooled."""

STEPS: Final = (*(year * DAYS_PER_YEAR for year in range(YEARS + 1)), np.inf)


@dataclass(frozen=True, eq=False)
class AgeSums:
    """Failures and days at risk: a row a group, a column a year of age.

    ``failed_sites`` counts the sites at which something of a group failed.
    """

    events: Floats
    days: Floats
    failed_sites: Ints

    def rates_of_others(self) -> Floats:
        """Failures a day by year of age of all groups but each; zero where no other was at risk."""
        others, watched = self.events.sum(axis=0) - self.events, self.days.sum(axis=0) - self.days
        return np.divide(others, watched, out=np.zeros_like(others), where=watched > 0)

    def rates_of_all(self) -> Floats:
        """Failures a day of all groups together by year of age."""
        events, days = self.events.sum(axis=0), self.days.sum(axis=0)
        return np.divide(events, days, out=np.zeros_like(days), where=days > 0)

    def own_rates(self) -> Floats:
        """Failures a day of each group by year of age."""
        return np.divide(self.events, self.days, out=np.zeros_like(self.days), where=self.days > 0)

    def like_others(self) -> tuple[Floats, Floats]:
        """Observed failures of each group, and those expected at the age-specific rates of all others.

        Ages at which only one group was at risk count for neither.
        """
        comparable = self.days.sum(axis=0) - self.days > 0
        return (self.events * comparable).sum(axis=1), (self.days * self.rates_of_others()).sum(axis=1)


@dataclass(frozen=True, eq=False)
class CellSums:
    """Failures and days at risk of each of ``size`` groups at each site: a row a pair with time at risk."""

    sums: AgeSums
    group: Ints
    site: Ints
    size: int

    def by_group(self) -> AgeSums:
        """Sums over the sites of each group."""
        events, days = np.zeros((2, self.size, self.sums.days.shape[1]))
        np.add.at(events, self.group, self.sums.events)
        np.add.at(days, self.group, self.sums.days)
        failed = self.sums.events.any(axis=1)
        return AgeSums(events, days, np.bincount(self.group[failed], minlength=self.size))

    def like_all(self) -> Cells:
        """Observed failures of each group at each site, and those expected at the rates of all groups."""
        return Cells(
            events=self.sums.events.sum(axis=1),
            expected=self.sums.days @ self.sums.rates_of_all(),
            group=self.group,
            site=self.site,
            groups=self.size,
        )


def sum_by_cell(rows: CountingRows, group: Ints, *, size: int) -> CellSums:
    """Sum rows by group, site and year of age; parameters as for `sum_by_age`."""
    _, site = np.unique(rows.site, return_inverse=True)
    sites = int(site.max(initial=0)) + 1
    pairs, cell = np.unique(group * sites + site, return_inverse=True)
    return CellSums(sum_by_age(rows, cell, size=pairs.size), pairs // sites, pairs % sites, size)


def expected_a_year(
    rows: CountingRows, last: Floats | Ints, group: Ints, rates: Floats, *, size: int
) -> Floats:
    """Failures a year expected from now on of the parts in place of each group.

    Parameters
    ----------
    rows, group, size
        As for `sum_by_age`.
    last
        The age each part would have on the last day: a part at risk up to then is in place.
    rates
        Failures a day by year of age.
    """
    now = rows.stop >= last
    daily = rates[np.searchsorted(STEPS, rows.stop[now]) - 1]
    return sums(group[now], weights=daily * DAYS_PER_YEAR, size=size)


def sum_by_age(rows: CountingRows, group: Ints, *, size: int) -> AgeSums:
    """Sum failures and days at risk by group and year of age.

    Parameters
    ----------
    rows
        Spans at risk cut at every failure, ages in days.
    group
        The group of each row, as a number below ``size``.
    size
        Number of groups.
    """
    events = np.zeros((size, len(STEPS) - 1))
    days = np.zeros_like(events)
    for column, (low, high) in enumerate(pairwise(STEPS)):
        inside = np.minimum(rows.stop, high) - np.maximum(rows.start, low)
        days[:, column] = np.bincount(group, weights=np.maximum(inside, 0.0), minlength=size)
        here = np.where((rows.stop > low) & (rows.stop <= high), rows.event, 0)
        events[:, column] = np.bincount(group, weights=here, minlength=size)
    failed = rows.event > 0
    places = np.unique(np.stack([group[failed], rows.site[failed]]), axis=1)[0]
    return AgeSums(events, days, np.bincount(places, minlength=size))


def months_by_age(
    rows: CountingRows, fitted: Ints, group: Ints, *, size: int, ends: Sequence[int]
) -> tuple[Floats, Floats]:
    """Sum failures and days at risk by month, group and year of age.

    Parameters
    ----------
    rows, group, size
        As for `sum_by_age`.
    fitted
        The day on which the part of each row was fitted, as an ordinal.
    ends
        The last day of the month before the first one, and of each month.

    Returns
    -------
    events, days : ndarray
        A plane a month, a row a group, a column a year of age.
    """
    by_month = []
    begin_on, end_on = fitted + rows.start, fitted + rows.stop
    for begin, end in pairwise(ends):
        here = np.flatnonzero((begin_on < end) & (end_on > begin))
        month_rows = CountingRows(
            np.maximum(rows.start[here], begin - fitted[here]),
            np.minimum(rows.stop[here], end - fitted[here]),
            np.where(end_on[here] <= end, rows.event[here], 0),
            rows.item[here],
            rows.site[here],
        )
        by_month.append(sum_by_age(month_rows, group[here], size=size))
    return np.stack([each.events for each in by_month]), np.stack([each.days for each in by_month])
