"""Items in place on the day the records are read, pieces used by repairs, and days to record failures."""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from collections import defaultdict
from typing import Any, Final, NamedTuple

from servicedesk.reports.queries.scope import Scope

RECENT_DAYS: Final = 730
"""Days before the records are read from which reporting delays are taken."""

PLACED = (
    "FROM units_installedpart f JOIN units_unit u ON u.id = f.unit_id JOIN units_site s ON s.id = u.site_id"
)


class Standing(NamedTuple):
    """Number of items of one group fitted on one day (an ordinal) that are in place and under follow-up."""

    group: Any
    fitted: int
    age_known: bool
    items: int


def items_in_place(scope: Scope) -> list[Standing]:
    """Items in place and under follow-up on the day the records are read, by group and day of fitting.

    The scope is grouped by a trait; its window of days is ignored.
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


def pieces_used(scope: Scope) -> dict[Any, dict[int, int]]:
    """Number of failures by group and pieces that their replacements took, on the days that count.

    Replacements without a finding count as a failure each.
    """
    trait = scope.trait
    group = scope.expression(trait) if trait is not None else "0"
    conditions = " AND k.done_on <= %(last)s"
    if scope.selection.after is not None:
        conditions += " AND k.done_on > %(after)s"
    if scope.selection.mode is not None:
        conditions += " AND k.finding_id IN (SELECT id FROM calls_finding WHERE mode_id = %(mode)s)"
    rows = scope.rows(
        f"SELECT grp, pieces, COUNT(*) FROM (SELECT {group} AS grp, SUM(k.pieces) AS pieces {PLACED}"
        f" JOIN calls_work k ON k.installed_part_id = f.id WHERE k.kind = 'replaced'{conditions}"
        f"{scope.where('f', 'u', 's')} GROUP BY grp, COALESCE(k.finding_id, -k.id)) AS told"
        " GROUP BY grp, pieces"
    )
    used: dict[Any, dict[int, int]] = defaultdict(dict)
    for key, pieces, number in rows:
        used[key][int(pieces)] = int(number)
    return used


def days_to_record(scope: Scope) -> list[tuple[int, int, int]]:
    """Day of finding, day of recording (as ordinals) and number of failures.

    Of the two years before the records are read, all parts together, without imported records.
    """
    found_day, recorded = scope.day("g.found_on"), scope.day("DATE(g.recorded_at)")
    rows = scope.rows(
        f"SELECT {found_day} AS found, {recorded} AS recorded, COUNT(*) FROM calls_finding g"
        f" WHERE g.batch_id IS NULL AND g.is_failure AND g.found_on <= %(as_of)s"
        f" AND {found_day} > {scope.selection.as_of.toordinal() - RECENT_DAYS}"
        " GROUP BY found, recorded"
    )
    return [(int(found_on), int(recorded), int(number)) for found_on, recorded, number in rows]
