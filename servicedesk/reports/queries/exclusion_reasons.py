"""Classification of findings: a failure of a part at risk, or one of the exclusion reasons."""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from enum import StrEnum
from typing import Any, Final

from django.urls import reverse

from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import MODE, TRAITS


class ExclusionReason(StrEnum):
    """Class of a finding. All but the first are excluded from figures, and reported."""

    EVENT = "event"
    WEAR_ONLY = "wear_only"
    REPEAT = "repeats"
    SAME_EVENT = "same_event"
    PART_UNKNOWN = "part_unknown"
    AT_TAKE_OVER = "found_at_take_over"
    LAST_WORD = "last_word"
    NO_TIME = "no_time_watched"
    NOT_AT_RISK = "not_watched"


EXCLUSION_REASON_WORDS: Final = {
    ExclusionReason.EVENT: "failure",
    ExclusionReason.WEAR_ONLY: "only wear, not a failure yet",
    ExclusionReason.REPEAT: "the same fault as before",
    ExclusionReason.SAME_EVENT: "recorded twice: same unit, failure, place and day",
    ExclusionReason.PART_UNKNOWN: "nobody could say which part",
    ExclusionReason.AT_TAKE_OVER: "found when we took the unit over",
    ExclusionReason.LAST_WORD: (
        "the last contact with a site or the last inspection of a unit: it only says until when time counts"
    ),
    ExclusionReason.NO_TIME: "the part was watched for less than a day",
    ExclusionReason.NOT_AT_RISK: "found when nobody was watching the unit or the part was not in place",
}

EVERY_EXCLUSION_REASON: Final = "all"
"""Query parameter for all findings, whatever they count as."""

_ELIGIBLE = (
    "{0}.is_failure AND NOT {0}.repeat AND {0}.continues_id IS NULL AND {0}.installed_part_id IS NOT NULL"
)
_TOLD_BEFORE = (
    # Rows of an import are told apart by their references. A record made at the office has none: it is the
    # duplicate where an import has the event too, whichever was stored first.
    "CASE WHEN a.batch_id IS NULL AND b.batch_id IS NULL THEN b.id > a.id"
    " WHEN a.batch_id IS NOT NULL AND b.batch_id IS NOT NULL THEN b.id > a.id AND b.ref = a.ref"
    " ELSE b.batch_id IS NULL END"
)
_SAME = "b.unit_id = a.unit_id AND b.mode_id = a.mode_id AND b.found_on = a.found_on"

TWINS: Final = (
    # The grouping uses an index, so only the few days with several findings are compared. It is
    # materialized, or PostgreSQL would do it once in each of its workers.
    "doubled AS MATERIALIZED (SELECT unit_id, mode_id, found_on FROM calls_finding"
    " GROUP BY unit_id, mode_id, found_on HAVING COUNT(*) > 1),"
    " twins AS MATERIALIZED (SELECT DISTINCT b.id FROM doubled d"
    " CROSS JOIN calls_finding a CROSS JOIN calls_finding b"
    " WHERE a.unit_id = d.unit_id AND a.mode_id = d.mode_id AND a.found_on = d.found_on"
    f" AND {_SAME} AND {_TOLD_BEFORE} AND COALESCE(b.panel, 0) = COALESCE(a.panel, 0)"
    f" AND b.corner = a.corner AND b.place = a.place"
    f" AND {_ELIGIBLE.format('a')} AND {_ELIGIBLE.format('b')})"
)
"""SQL of the table of duplicate findings: same unit, mode, place and day.

Rows of imports with different references are two events.
"""

_IN_SPAN = (
    "w.unit_id = f.unit_id AND g.found_on <= w.until_on"
    " AND (f.removed_on IS NULL OR g.found_on <= f.removed_on)"
    " AND ((g.found_on > w.from_on AND g.found_on > f.fitted_on)"
    # A failure on the day of fitting happened at age half a day, if the part was at risk after that day.
    " OR (g.found_on = f.fitted_on AND w.from_on <= f.fitted_on AND w.until_on > f.fitted_on"
    " AND (f.removed_on IS NULL OR f.removed_on > f.fitted_on)))"
)
TAKING_OVER = 30
"""Days after the follow-up of a unit began in which a failure without a call was most likely there before."""

_AT_RISK = "SELECT 1 FROM units_observationperiod q WHERE q.unit_id = f.unit_id AND q.from_on"
_IN_PLACE = "f.fitted_on <= g.found_on AND (f.removed_on IS NULL OR f.removed_on >= g.found_on)"
_WHY = (
    f"CASE WHEN NOT g.is_failure THEN '{ExclusionReason.WEAR_ONLY}'"
    f" WHEN g.repeat OR g.continues_id IS NOT NULL THEN '{ExclusionReason.REPEAT}'"
    f" WHEN g.id IN (SELECT id FROM twins) THEN '{ExclusionReason.SAME_EVENT}'"
    f" WHEN w.unit_id IS NOT NULL AND w.begins_over AND f.fitted_on < w.from_on AND {{at_take_over}}"
    f" THEN '{ExclusionReason.AT_TAKE_OVER}'"
    f" WHEN w.unit_id IS NOT NULL AND {{is_inspection_mode}} AND COALESCE(g.found_on > w.looked_on, TRUE)"
    f" THEN '{ExclusionReason.LAST_WORD}'"
    f" WHEN w.unit_id IS NOT NULL THEN '{ExclusionReason.EVENT}'"
    f" WHEN EXISTS ({_AT_RISK} = g.found_on AND q.from_on > f.fitted_on"
    f" AND (f.removed_on IS NULL OR f.removed_on >= g.found_on)) THEN '{ExclusionReason.AT_TAKE_OVER}'"
    f" WHEN {_IN_PLACE} AND EXISTS (SELECT 1 FROM lost JOIN units_unit v ON v.site_id = lost.site_id"
    f" WHERE v.id = f.unit_id AND lost.heard_on = g.found_on) THEN '{ExclusionReason.LAST_WORD}'"
    f" WHEN {_IN_PLACE}"
    f" AND EXISTS ({_AT_RISK} <= g.found_on AND (q.until_on IS NULL OR q.until_on >= g.found_on))"
    f" THEN '{ExclusionReason.NO_TIME}'"
    f" ELSE '{ExclusionReason.NOT_AT_RISK}' END"
)


def _exclusion_reason(scope: Scope) -> str:
    """SQL expression of the exclusion reason of a finding of a known part, over ``g``, ``f`` and ``w``.

    A failure that was there when the follow-up of a unit began is usually the reason for the first call: a
    failure of a call on that day or before, and without a call one found in the weeks after.
    """
    called_on = scope.local_day("c.reported_at")
    return _WHY.format(
        at_take_over=(
            f"CASE WHEN g.call_id IS NULL THEN {scope.day('g.found_on')} <= w.first_day + {TAKING_OVER}"
            f" ELSE (SELECT {called_on} FROM calls_call c WHERE c.id = g.call_id) <= w.from_on END"
        ),
        is_inspection_mode=scope.is_inspection_mode("g.mode_id"),
    )


def with_reasons(scope: Scope, *, columns: str, only: str = "") -> str:
    """SQL query of the findings of known parts: some columns, and ``exclusion_reason``.

    It needs ``w`` (uncut) and ``twins`` in front. ``only`` narrows it further, with a leading AND.
    """
    return (
        f"SELECT {columns}, {_exclusion_reason(scope)} AS exclusion_reason FROM calls_finding g CROSS JOIN "
        f"units_installedpart f"
        f" LEFT JOIN w ON {_IN_SPAN}"
        f" WHERE f.id = g.installed_part_id{scope.of_findings()}"
        f"{scope.of_moments()}{scope.of_installed_parts()}"
        f"{scope.of_units()}{only}"
    )


def partless_with_reasons(scope: Scope, *, columns: str, only: str = "") -> str:
    """SQL query of the findings without a known part: some columns, and ``exclusion_reason``."""
    chosen = scope.selection
    # Without a part, neither age nor maintenance is known.
    kinds = _kinds_asked_for(scope) if chosen.age is None and chosen.since is None else " AND FALSE"
    return (
        f"SELECT {columns}, CASE WHEN NOT g.is_failure THEN '{ExclusionReason.WEAR_ONLY}'"
        f" WHEN g.repeat OR g.continues_id IS NOT NULL THEN '{ExclusionReason.REPEAT}'"
        f" ELSE '{ExclusionReason.PART_UNKNOWN}' END AS exclusion_reason"
        " FROM calls_finding g JOIN units_failuremode m ON m.id = g.mode_id"
        " JOIN units_unit u ON u.id = g.unit_id JOIN units_site s ON s.id = u.site_id"
        f" WHERE g.installed_part_id IS NULL{scope.of_findings()}"
        f"{scope.where('u', 's')}{kinds}{only}"
    )


def _kinds_asked_for(scope: Scope) -> str:
    """SQL condition that a failure mode is of a kind of part in the selection."""
    conditions = []
    if scope.selection.keys("part"):
        conditions.append(scope.where("f", among=("part",)).replace(TRAITS["part"].sql, "m.kind"))
    if scope.selection.keys("component"):
        types = scope.where("f", among=("component",)).replace(TRAITS["component"].sql, "t.id")
        conditions.append(f" AND m.kind IN (SELECT t.kind FROM units_componenttype t WHERE TRUE{types})")
    return "".join(conditions)


def findings_address(
    selection: Selection, exclusion_reason: ExclusionReason | None = ExclusionReason.EVENT
) -> str:
    """URL of the list of findings behind a number."""
    query = selection.query()
    if exclusion_reason != ExclusionReason.EVENT:
        query["exclusion_reason"] = (
            EVERY_EXCLUSION_REASON if exclusion_reason is None else str(exclusion_reason)
        )
    return reverse("reports:findings", query=query)


def findings_by_exclusion_reason(scope: Scope) -> tuple[list[tuple[Any, ...]], dict[ExclusionReason, int]]:
    """Number of failures by group and site, and of findings by exclusion reason.

    Returns
    -------
    events
        Group, site, failures, those that only an inspection shows among them, and those of the newest days
        (`scope.NEWEST`). Grouped by failure mode, a group is the kind of part and the mode's number as in
        ``track:12``.
    excluded
        Findings by exclusion reason, `ExclusionReason.EVENT` among them.
    """
    group = f"{scope.group()} || ':' || g.mode_id" if scope.by == MODE else scope.group()
    inspected = scope.is_inspection_mode("g.mode_id")
    columns = (
        f"{group} AS grp, w.site_id, CASE WHEN {inspected} THEN 1 ELSE 0 END AS looked,"
        f" CASE WHEN g.found_on > %(newest)s THEN 1 ELSE 0 END AS newest"
    )
    counted = scope.rows(
        f"WITH {scope.spans(cut=False)}, {TWINS}"
        f" SELECT CASE WHEN exclusion_reason = '{ExclusionReason.EVENT}' THEN grp END AS of_group,"
        f" CASE WHEN exclusion_reason = '{ExclusionReason.EVENT}' THEN site_id END AS at_site, COUNT(*), "
        f"SUM(looked), "
        f"SUM(newest),"
        f" exclusion_reason FROM ({with_reasons(scope, columns=columns)} {scope.dialect.fence}) AS told"
        " GROUP BY of_group, at_site, exclusion_reason"
    )
    partless = scope.rows(
        f"SELECT COUNT(*), exclusion_reason FROM ({partless_with_reasons(scope, columns='g.id')}) AS told"
        " GROUP BY exclusion_reason"
    )
    events = [row[:-1] for row in counted if row[-1] == ExclusionReason.EVENT]
    totals = dict.fromkeys(ExclusionReason, 0)
    totals[ExclusionReason.EVENT] = sum(row[2] for row in events)
    for count, exclusion_reason in [
        *((row[2], row[-1]) for row in counted if row[-1] != ExclusionReason.EVENT),
        *partless,
    ]:
        totals[ExclusionReason(exclusion_reason)] += count
    return events, totals
