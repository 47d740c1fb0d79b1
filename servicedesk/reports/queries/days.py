"""Failures and items at risk by day."""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from collections import defaultdict
from datetime import date

import numpy as np

from servicedesk.reports.queries.exclusion_reasons import TWINS, ExclusionReason, with_reasons
from servicedesk.reports.queries.scope import OVERLAPS, Scope
from servicedesk.reports.questions.selection import Selection


def failures_by_day(today: date) -> dict[tuple[date, int, int], int]:
    """Number of failures by day, type of part and failure mode, as the rates count them."""
    scope = Scope(Selection(as_of=today), "component")
    columns = f"{scope.day('g.found_on')} AS day, {scope.group()} AS grp, g.mode_id"
    rows = scope.rows(
        f"WITH {scope.spans(cut=False)}, {TWINS}"
        f" SELECT day, grp, mode_id, COUNT(*) FROM ("
        f"{with_reasons(scope, columns=columns)}"
        f" {scope.dialect.fence}) AS told WHERE exclusion_reason = '{ExclusionReason.EVENT}' GROUP BY day, "
        f"grp, mode_id"
    )
    return {(date.fromordinal(day), of_type, mode): count for day, of_type, mode, count in rows}


def items_by_day(today: date) -> dict[tuple[date, int], int]:
    """Number of items of each type at risk on each day; days without any are left out.

    A part fitted (or taken over) on a day is at risk from the next day on, so that a year of days at risk is
    a year of time at risk.
    """
    counts: dict[tuple[date, int], int] = {}
    for of_type, changes in _changes(today).items():
        first = min(changes)
        steps = np.zeros(max(changes) - first + 1, dtype=np.int64)
        for day, change in changes.items():
            steps[day - first] = change
        items = np.cumsum(steps)
        for place in np.flatnonzero(items):
            counts[date.fromordinal(first + int(place)), of_type] = int(items[place])
    return counts


def _changes(today: date) -> dict[int, dict[int, int]]:
    """Change of the number of items at risk from the day before, by type and day."""
    scope = Scope(Selection(as_of=today), "component")
    begin = scope.greatest("f.fitted_on", "w.from_on")
    end = scope.least("COALESCE(f.removed_on, w.until_on)", "w.until_on")
    at_risk = f"FROM units_installedpart f CROSS JOIN w WHERE {OVERLAPS}"
    spans = scope.spans(cut=False)
    changes: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for edge, change in ((begin, 1), (end, -1)):
        rows = scope.rows(
            f"WITH {spans} SELECT grp, day, COUNT(*) FROM (SELECT {scope.group()} AS grp,"
            f" {scope.day(edge)} + 1 AS day {at_risk} {scope.dialect.fence}) AS edges GROUP BY grp, day"
        )
        for of_type, day, count in rows:
            changes[of_type][day] += change * count
    return changes
