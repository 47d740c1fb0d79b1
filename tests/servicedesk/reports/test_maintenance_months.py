"""The clock of care cut at calendar months, against a walk day by day."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, timedelta

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.reports.maintenance.months import cut_at_months
from servicedesk.reports.maintenance.since_maintenance import MaintenanceRows

MAINTENANCE_ON = date(2021, 3, 20).toordinal()
SPAN = st.tuples(
    st.integers(0, 800), st.integers(1, 500), st.integers(0, 2), st.integers(0, 2), st.integers(0, 90)
)


def maintenance_rows(drawn: list[tuple[int, int, int, int, int]]) -> MaintenanceRows:
    """Make rows of start, length, failures at the end, site and days from March 20, 2021 to the care."""
    start, length, event, site, later = np.array(drawn, dtype=np.int64).T
    ends = (start / 1.0, (start + length) / 1.0)
    nothing = np.zeros(start.size, dtype=np.int64)
    return MaintenanceRows(*ends, event, np.arange(start.size), site, nothing, MAINTENANCE_ON + later)


@given(st.lists(SPAN, min_size=1, max_size=6))
def test_every_day_falls_into_its_month_where_something_failed(
    drawn: list[tuple[int, int, int, int, int]],
) -> None:
    rows = maintenance_rows(drawn)
    days: dict[tuple[int, int, int, int], float] = defaultdict(float)
    failures: dict[tuple[int, int, int, int], int] = defaultdict(int)
    for start, length, event, site, later in drawn:
        maintenance = date.fromordinal(MAINTENANCE_ON + later)
        for since in range(start + 1, start + length + 1):
            on = maintenance + timedelta(days=since)
            opens = on.replace(day=1) - timedelta(days=1)
            closes = (on.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
            key = (site, on.month, max((opens - maintenance).days, 0), (closes - maintenance).days)
            days[key] += 1
            failures[key] += event if since == start + length else 0
    failed = {key[:2] for key, count in failures.items() if count}
    months = cut_at_months(rows)
    observed = sorted(zip(months.low, months.high, months.days, months.event, strict=True))
    walked = sorted(
        (low, high, count, failures[site, month, low, high])
        for (site, month, low, high), count in days.items()
        if (site, month) in failed
    )
    assert observed == walked
    assert np.unique(months.stratum).size == len(failed)


def test_failures_tell_only_where_care_was_sooner_in_one_year_than_in_another() -> None:
    # Both were watched each July, and failed in one; the second site had its care in June 2022 as well.
    one = (0, 900, 0, 1, 0)
    months = cut_at_months(
        maintenance_rows([(103, 10, 1, 0, 0), (465, 20, 0, 0, 0), one, (400, 100, 1, 2, 0)])
    )
    assert months.telling == 1
    same = cut_at_months(maintenance_rows([(103, 10, 1, 0, 0), (100, 20, 0, 0, 0)]))
    assert same.telling == 0


def test_nothing_watched_since_care_tells_nothing() -> None:
    empty = np.zeros(0)
    none = np.zeros(0, dtype=np.int64)
    months = cut_at_months(MaintenanceRows(empty, empty, none, none, none, none, none))
    assert (months.telling, months.stratum.size) == (0, 0)
