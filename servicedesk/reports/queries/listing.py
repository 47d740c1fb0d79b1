"""Queries of the findings behind a figure."""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from collections.abc import Iterable

from django.db.models import QuerySet
from django.db.models.expressions import RawSQL

from servicedesk.calls.models import Finding
from servicedesk.reports.queries.exclusion_reasons import (
    TWINS,
    ExclusionReason,
    partless_with_reasons,
    with_reasons,
)
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.questions.selection import Selection


def findings_behind(selection: Selection, exclusion_reason: ExclusionReason | None) -> QuerySet[Finding]:
    """Findings of a selection by exclusion reason, or all of them where it is None."""
    scope = Scope(selection)
    scope.params["exclusion_reason"] = str(exclusion_reason or "")
    subquery = _every_exclusion_reason(scope)
    which = " WHERE exclusion_reason = %(exclusion_reason)s" if exclusion_reason is not None else ""
    statement, values = scope.positional(f"{_with(scope)} SELECT id FROM ({subquery}) AS told{which}")
    return Finding.objects.filter(pk__in=RawSQL(statement, values)).for_list()  # noqa: S611  # values are bound  # nosec B611


def exclusion_reasons_of(selection: Selection, findings: Iterable[Finding]) -> dict[int, ExclusionReason]:
    """Exclusion reason of each finding."""
    scope = Scope(selection)
    places = []
    for number, finding in enumerate(findings):
        scope.params[f"id_{number}"] = finding.pk
        places.append(f"%(id_{number})s")
    if not places:
        return {}
    only = f" AND g.id IN ({', '.join(places)})"
    rows = scope.rows(
        f"{_with(scope)} SELECT id, exclusion_reason FROM ({_every_exclusion_reason(scope, only=only)}) AS "
        f"told"
    )
    return {key: ExclusionReason(exclusion_reason) for key, exclusion_reason in rows}


def _with(scope: Scope) -> str:
    return f"WITH {scope.spans(cut=False)}, {TWINS}"


def _every_exclusion_reason(scope: Scope, *, only: str = "") -> str:
    return (
        f"{with_reasons(scope, columns='g.id', only=only)}"
        f" UNION ALL {partless_with_reasons(scope, columns='g.id', only=only)}"
    )


def found_again_soon(selection: Selection, *, days: int = 30) -> int:
    """Number of failures within some days of an earlier one by the same mode at the same unit.

    They were not recorded as the same fault, but might have been: a rate without them shows the sensitivity.
    """
    scope = Scope(selection)
    columns = f"g.id, g.unit_id, g.mode_id, {scope.day('g.found_on')} AS day"
    ((count,),) = scope.rows(
        f"{_with(scope)}, events AS MATERIALIZED (SELECT * FROM ({with_reasons(scope, columns=columns)})"
        f" AS told WHERE exclusion_reason = '{ExclusionReason.EVENT}')"
        " SELECT COUNT(*) FROM (SELECT day - LAG(day) OVER"
        " (PARTITION BY unit_id, mode_id ORDER BY day, id) AS since FROM events) AS gaps"
        f" WHERE since <= {int(days)}"
    )
    return int(count)
