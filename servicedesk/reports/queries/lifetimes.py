"""Lifetimes of parts under follow-up and their failures by age: the input of curves over age."""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np

from servicedesk.reports.histories import Histories
from servicedesk.reports.queries.exclusion_reasons import TWINS, ExclusionReason, with_reasons
from servicedesk.reports.queries.scope import OVERLAPS, Scope
from servicedesk.reports.questions.selection import Selection

BETWEEN_VISITS: Final = " AND g.detected <> 'care'"


def read_histories(
    selection: Selection, *, by: str, between_visits: bool = False, spans_of: Histories | None = None
) -> Histories:
    """Read the spans at risk and failures of parts of known age, up to the day the records are read.

    With ``between_visits`` only failures that were not first seen on a maintenance visit. With ``spans_of``,
    read before, the spans are taken from there.

    The days that count are applied later (`Histories.counting_rows`, `Histories.first_failures`): a first
    failure before those days still was the first.
    """
    scope = Scope(selection.always(), by)
    spans = spans_of or _read_spans(scope)
    failed = scope.whole_numbers(_failures(scope, only=BETWEEN_VISITS if between_visits else ""), width=5)
    failed = failed[np.isin(failed[:, 0], spans.item)].T
    names = ("event_item", "event_age", "event_mode", "event_count", "event_good")
    return replace(spans, **dict(zip(names, failed, strict=True)))


def _read_spans(scope: Scope) -> Histories:
    """Read the spans at risk, without failures."""
    spans = scope.rows(_spans(scope))
    groups = sorted({row[1] for row in spans}, key=lambda key: (key is None, key))
    place = {key: number for number, key in enumerate(groups)}
    columns = _turned(
        [
            (item, place[key], site, fitted, begin - fitted, end - fitted)
            for item, key, site, fitted, begin, end in spans
        ],
        6,
    )
    # Sorted here: for ORDER BY part, SQLite would scan all units for each of them.
    columns = columns[:, np.lexsort((columns[4], columns[0]))]
    nothing = np.zeros(0, dtype=np.int64)
    return Histories(
        groups=groups,
        item=columns[0],
        group=columns[1],
        site=columns[2],
        fitted=columns[3],
        entry=columns[4],
        exit=columns[5],
        event_item=nothing,
        event_age=nothing,
        event_mode=nothing,
        event_count=nothing,
        event_good=nothing,
    )


def _turned(rows: list[tuple[Any, ...]], width: int) -> Any:
    return np.array(rows, dtype=np.int64).reshape(-1, width).T


def _spans(scope: Scope) -> str:
    """SQL query of part, group, site, day of fitting, first and last day of each span at risk."""
    begin = scope.greatest("f.fitted_on", "w.from_on")
    end = scope.least("COALESCE(f.removed_on, w.until_on)", "w.until_on")
    inspected = ""
    if scope.by_inspections:
        end = scope.least(end, "w.looked_on")
        inspected = f" AND w.looked_on > {begin}"
    return (
        f"WITH {scope.spans(cut=False, looks=scope.by_inspections)}"
        f" SELECT f.id, {scope.group()}, w.site_id, {scope.day('f.fitted_on')},"
        f" {scope.day(begin)}, {scope.day(end)} FROM units_installedpart f CROSS JOIN w"
        f" WHERE {OVERLAPS} AND f.age_known{inspected}{scope.of_installed_parts()}"
    )


def _failures(scope: Scope, *, only: str) -> str:
    """SQL query of part, age in days, mode, number of failures, and age when last known to be good (or -1).

    A part was good on the day its finding says, at an inspection of its unit with no fault found, or when the
    part (or the unit as a whole) was checked on a maintenance visit, whichever was last.
    """
    seen = (
        (
            "(SELECT MAX(i.inspected_on) FROM calls_inspection i WHERE i.unit_id = g.unit_id"
            " AND i.outcome = 'fine' AND i.inspected_on < g.found_on)"
        ),
        (
            "(SELECT MAX(k.done_on) FROM calls_work k WHERE k.unit_id = g.unit_id"
            " AND (k.installed_part_id = f.id OR k.installed_part_id IS NULL)"
            " AND k.kind = 'checked' AND k.done_on < g.found_on)"
        ),
    )
    good = scope.greatest(*(f"COALESCE({on}, f.fitted_on)" for on in ("g.last_good_on", *seen)))
    known = " OR ".join(f"{on} IS NOT NULL" for on in ("g.last_good_on", *seen))
    columns = (
        f"f.id AS item, g.mode_id, {scope.day('g.found_on')} - {scope.day('f.fitted_on')} AS age,"
        f" CASE WHEN {known} THEN {scope.day(good)} - {scope.day('f.fitted_on')} ELSE -1 END AS good"
    )
    return (
        f"WITH {scope.spans(cut=False)}, {TWINS}"
        " SELECT item, age, mode_id, COUNT(*), MAX(good) FROM"
        f" ({with_reasons(scope, columns=columns, only=f' AND f.age_known{only}')}) AS told"
        f" WHERE exclusion_reason = '{ExclusionReason.EVENT}' GROUP BY item, age, mode_id ORDER BY item, "
        f"age, mode_id"
    )
