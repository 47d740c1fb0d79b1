"""What stands in the field on the day the records are read, and what pieces repairs have used."""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from typing import Any, NamedTuple

from servicedesk.reports.queries.scope import Scope

PLACED = "FROM units_fitment f JOIN units_unit u ON u.id = f.unit_id JOIN units_site s ON s.id = u.site_id"


class Standing(NamedTuple):
    """Items of one group fitted on one day (as an ordinal) that are in place and watched."""

    group: Any
    fitted: int
    age_known: bool
    items: int


def items_in_place(scope: Scope) -> list[Standing]:
    """Count the items in place and under watch on the day the records are read, by group and day of fitting.

    The scope is grouped by a trait; days asked for do not matter here.
    """
    trait = scope.trait
    group = scope.expression(trait) if trait is not None else "0"
    rows = scope.rows(
        f"SELECT {group} AS grp, {scope.day('f.fitted_on')} AS day, f.age_known, COUNT(*) {PLACED}"
        " WHERE f.fitted_on <= %(as_of)s AND (f.removed_on IS NULL OR f.removed_on > %(as_of)s)"
        " AND EXISTS (SELECT 1 FROM units_observationperiod p WHERE p.unit_id = u.id"
        " AND p.from_on <= %(as_of)s AND (p.until_on IS NULL OR p.until_on > %(as_of)s))"
        f"{scope.where('f', 'u', 's')} GROUP BY grp, day, f.age_known"
    )
    return [Standing(key, int(day), bool(known), int(items)) for key, day, known, items in rows]


def pieces_used(scope: Scope) -> dict[Any, int]:
    """Add up by group the pieces that replacements took on the days that count."""
    trait = scope.trait
    group = scope.expression(trait) if trait is not None else "0"
    conditions = " AND k.done_on <= %(last)s"
    if scope.selection.after is not None:
        conditions += " AND k.done_on > %(after)s"
    if scope.selection.mode is not None:
        conditions += " AND k.finding_id IN (SELECT id FROM calls_finding WHERE mode_id = %(mode)s)"
    rows = scope.rows(
        f"SELECT {group} AS grp, SUM(k.pieces) {PLACED} JOIN calls_work k ON k.fitment_id = f.id"
        f" WHERE k.kind = 'replaced'{conditions}{scope.where('f', 'u', 's')} GROUP BY grp"
    )
    return {key: int(pieces) for key, pieces in rows}
