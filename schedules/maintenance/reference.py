"""Loader of maintenance rules from a reference file that the owner can extend.

As in the register, an existing rule stays as the owner changed it. A rule is identified by its component type
and its name, or a name it had earlier, so that a renamed rule is not added again.
"""

from __future__ import annotations

import re
from calendar import month_name
from datetime import datetime
from pathlib import Path

from schedules.maintenance.recurrence import Season
from schedules.models import MaintenanceRule
from schedules.models.maintenance import Exposure, WorkKind
from servicedesk.accounts.models import User
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.rules.refusals import atomic_operation
from units.catalog import loading as reference
from units.catalog.files import ReferenceRow, read_rows
from units.catalog.loading import ACTION, KnownTypes, Loaded, former_values
from units.models import FailureMode
from units.names import plain_name
from units.operations import save_new

RULE_FIELDS = frozenset(
    {
        "component_type",
        "name",
        "work",
        "interval_months",
        "exposed_to",
        "exposed_months",
        "not_below_c",
        "level",
        "material",
        "material_each",
        "season_from",
        "season_until",
        "minutes",
        "persons",
        "note",
        "source",
    }
)
MAINTENANCE_WORK = (WorkKind.CLEANED, WorkKind.LUBRICATED, WorkKind.CHECKED)

_DAY_OF_YEAR = re.compile(r"([0-9]{1,2}) ([A-Za-z]+)")
_MONTHS = {name.lower(): number for number, name in enumerate(month_name) if name}


def load_all(folder: Path, *, by: User | None, at: datetime) -> dict[str, Loaded]:
    """Load all reference files of a folder, or none of them; return counts by kind of row.

    Raises
    ------
    RuleViolation
        When a file is missing or says something impossible; the sentence names file, row and field.
    """
    with atomic_operation():
        counts = reference.load_reference(folder, by=by, at=at)
        return counts | {
            "maintenance rules": load_maintenance_rules(folder / "maintenance_rules.json", by=by, at=at)
        }


def load_maintenance_rules(path: Path, *, by: User | None, at: datetime) -> Loaded:
    """Add the maintenance rules that do not exist yet, for component types of the register."""
    rows = read_rows(path, key=("component_type", "name"), fields=RULE_FIELDS)
    types, known = KnownTypes(), _known_rules()
    added = unchanged = 0
    with atomic_operation():
        for row in rows:
            record = _rule(row, types)
            if (record.component_type_id, plain_name(record.name)) in known:
                unchanged += 1
                continue
            with row.within_rules():
                save_new(record, action=ACTION, by=by, at=at)
            added += 1
        if added:
            enqueue_on_commit("schedules.plan_next_dues")
    return Loaded(added, unchanged)


def _known_rules() -> set[tuple[int, str]]:
    """Component type of each rule with each of its present and former names."""
    rules = list(MaintenanceRule.objects.all())
    named = [*((rule, plain_name(rule.name)) for rule in rules), *former_values(rules, field="name")]
    return {(rule.component_type_id, name) for rule, name in named}


def _rule(row: ReferenceRow, types: KnownTypes) -> MaintenanceRule:
    season = _season(row)
    return MaintenanceRule(
        component_type=types.named_in(row),
        name=row.text("name"),
        work=row.choice("work", [work.value for work in MAINTENANCE_WORK]),
        interval_months=row.whole("interval_months"),
        exposed_to=row.choice("exposed_to", filter(None, Exposure.values))
        if row.text_or_blank("exposed_to")
        else "",
        exposed_months=row.whole("exposed_months", otherwise=0) or None,
        not_below_c=row.whole("not_below_c", otherwise=0) if "not_below_c" in row.values else None,
        level=row.whole("level", otherwise=FailureMode.Skill.HELPER),
        material=row.text_or_blank("material"),
        material_each=row.whole("material_each", otherwise=0),
        season_from_month=season.from_month if season else None,
        season_from_day=season.from_day if season else None,
        season_until_month=season.until_month if season else None,
        season_until_day=season.until_day if season else None,
        minutes=row.whole("minutes"),
        persons=row.whole("persons", otherwise=1),
        note=row.text("note"),
        source=row.text("source"),
    )


def _season(row: ReferenceRow) -> Season | None:
    """Season of a row; None where both ends are left out."""
    opens, closes = _day_of_year(row, "season_from"), _day_of_year(row, "season_until")
    if opens is None and closes is None:
        return None
    if opens is None or closes is None:
        missing = "season_from" if opens is None else "season_until"
        raise row.refusal(missing, "is missing. Give the first and the last day of the season, or neither.")
    try:
        return Season(*opens, *closes)
    except ValueError as error:
        raise row.refusal("season_from, season_until", str(error)) from error


def _day_of_year(row: ReferenceRow, field: str) -> tuple[int, int] | None:
    """Parse a day such as 1 March into month and day."""
    typed = row.text_or_blank(field)
    if not typed:
        return None
    match = _DAY_OF_YEAR.fullmatch(typed)
    month = _MONTHS.get(match[2].lower()) if match else None
    if match is None or month is None:
        raise row.refusal(field, f"“{typed}” is no day of the year. Write it like 1 March.")
    return month, int(match[1])
