"""SQL fragments of a selection's time at risk and findings, for SQLite and PostgreSQL.

Aliases used throughout: ``f`` an installed part, ``g`` a finding, ``u`` a unit, ``s`` a site, ``w`` a span of
follow-up of a unit. A part is at risk on the half-open span from the later of its fitting and the beginning
of the follow-up to the earlier of its removal and the end of the follow-up.
"""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from itertools import chain
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from django.db import connection
from django.utils import timezone

from schedules.maintenance.reference import MAINTENANCE_WORK
from servicedesk.reports.queries.contacts import OutOfSight, out_of_sight
from servicedesk.reports.questions.selection import AT_MAINTENANCE, Selection
from servicedesk.reports.questions.traits import MODE, TRAITS, Key, Trait
from units.models import FailureMode

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

NAMED = re.compile(r"%\((\w+)\)s")


@dataclass(frozen=True)
class Dialect:
    """SQL expressions in which the two databases differ."""

    greatest: str
    least: str
    day: str
    year: str
    local_day: str
    day_before: str
    as_day: str
    fence: str
    unindexed: str


# Days are numbered as by Python's date.toordinal. The fence keeps a subquery from being flattened, so that
# the grouping above it sorts small rows and not everything the subquery read. Unindexed keeps SQLite from
# using an index of dates where nearly all dates are selected.
DIALECTS: Final = {
    "sqlite": Dialect(
        "MAX",
        "MIN",
        "CAST(julianday({0}) - 1721424.5 AS INTEGER)",
        "CAST(substr({0}, 1, 4) AS INTEGER)",
        "django_datetime_cast_date({0}, '{1}', 'UTC')",
        "date({0}, '-1 day')",
        "{0}",
        "LIMIT -1",
        "+{0}",
    ),
    "postgresql": Dialect(
        "GREATEST",
        "LEAST",
        "({0} - DATE '0001-01-01' + 1)",
        "EXTRACT(YEAR FROM {0})::int",
        "({0} AT TIME ZONE '{1}')::date",
        "({0} - 1)",
        "({0})::date",
        "OFFSET 0",
        "{0}",
    ),
}

NEWEST: Final = timedelta(days=60)
"""Newest days, of which some failures are not recorded yet."""

OVERLAPS: Final = (
    "w.unit_id = f.unit_id AND f.fitted_on < w.until_on"
    " AND (f.removed_on IS NULL OR (f.removed_on > w.from_on AND f.removed_on > f.fitted_on))"
)
"""Condition that a part was at risk for at least a day of a span of follow-up."""

_FAILURE: Final = "SELECT 1 FROM calls_finding r WHERE r.is_failure AND r.detected <> 'care'"

WITH_REPAIR: Final = (
    f"(EXISTS ({_FAILURE} AND r.id = k.finding_id) OR EXISTS ({_FAILURE} AND r.call_id = k.call_id)"
    f" OR (k.task_id IS NULL AND EXISTS ({_FAILURE} AND r.unit_id = k.unit_id AND r.found_on = k.done_on)))"
)
"""Condition that work ``k`` was done with the repair of a failure: by its finding, call, or unit and day.

Failures first seen on a maintenance visit were not its cause, so they do not count; nor does the day where
the work was a task of its own.
"""


@dataclass
class Scope:
    """SQL fragments and parameters of one selection.

    ``by`` is the grouping: a trait, failure modes, or "" for none.
    """

    selection: Selection
    by: str = ""
    params: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.dialect = DIALECTS[connection.vendor]
        day = connection.ops.adapt_datefield_value
        chosen = self.selection
        self.params |= {"as_of": day(chosen.as_of), "last": day(chosen.last), "mode": chosen.mode}
        self.params["newest"] = day(chosen.as_of - NEWEST)
        if chosen.after is not None:
            self.params["after"] = day(chosen.after)

    @cached_property
    def inspection_modes(self) -> list[int]:
        """Failure modes that only an inspection shows."""
        return list(FailureMode.objects.filter(only_at_look=True).order_by("pk").values_list("pk", flat=True))

    @cached_property
    def out_of_sight(self) -> OutOfSight:
        """Silent and lost sites."""
        return out_of_sight(self.selection.as_of)

    @property
    def by_inspections(self) -> bool:
        """Whether only an inspection shows the selected mode, so that time ends at the last inspection."""
        return self.selection.mode is not None and self.selection.mode in self.inspection_modes

    def is_inspection_mode(self, mode: str) -> str:
        """Condition that only an inspection shows a failure mode."""
        return (
            f"{mode} IN ({', '.join(map(str, self.inspection_modes))})" if self.inspection_modes else "1 = 0"
        )

    @property
    def trait(self) -> Trait | None:
        """Trait that parts are grouped by; failure modes are grouped within the kind of the part."""
        return TRAITS["part"] if self.by == MODE else TRAITS.get(self.by)

    def day(self, column: str) -> str:
        """Expression of a date as an ordinal."""
        return self.dialect.day.format(column)

    def local_day(self, moment: str) -> str:
        """Expression of the local date of a datetime."""
        return self.dialect.local_day.format(moment, timezone.get_current_timezone_name())

    def greatest(self, *values: str) -> str:
        """Expression of the latest of several dates."""
        return f"{self.dialect.greatest}({', '.join(values)})"

    def least(self, *values: str) -> str:
        """Expression of the earliest of several dates."""
        return f"{self.dialect.least}({', '.join(values)})"

    def expression(self, trait: Trait) -> str:
        """Expression of a trait."""
        return trait.sql.format(year=self.dialect.year.format("f.fitted_on"))

    def group(self) -> str:
        """Expression of the group of a part in a query over ``f`` and ``w``."""
        if self.trait is None:
            return "0"
        return self.expression(self.trait) if self.trait.table == "f" else "w.grp"

    def where(self, *tables: str, among: Collection[str] = tuple(TRAITS)) -> str:
        """Conditions of the selection on traits of some tables, each with a leading AND."""
        return "".join(
            f" AND {self._is_one_of(TRAITS[name], keys)}"
            for name, keys in self.selection.traits
            if TRAITS[name].table in tables and name in among
        )

    def _is_one_of(self, trait: Trait, keys: Sequence[Key | None]) -> str:
        expression = self.expression(trait)
        known = [key for key in keys if key is not None]
        places = []
        for number, key in enumerate(known):
            self.params[f"{trait.name}_{number}"] = key
            places.append(f"%({trait.name}_{number})s")
        ways = [f"{expression} IN ({', '.join(places)})"] if places else []
        if None in keys:
            ways.append(f"{expression} IS NULL")
        return f"({' OR '.join(ways)})"

    def of_installed_parts(self) -> str:
        """Conditions on a part that do not need the follow-up of its unit."""
        return self.where("f")

    def of_units(self) -> str:
        """Condition that a part's unit is in the selection, empty where that has all units."""
        conditions = self.where("u", "s")
        if not conditions:
            return ""
        return (
            " AND f.unit_id IN (SELECT u.id FROM units_unit u JOIN units_site s ON s.id = u.site_id"
            f" WHERE TRUE{conditions})"
        )

    def of_findings(self) -> str:
        """Conditions on a finding: the days that count, and the mode."""
        found_on = self.dialect.unindexed.format("g.found_on")
        conditions = f" AND {found_on} <= %(last)s"
        if self.selection.after is not None:
            conditions += " AND g.found_on > %(after)s"
        if self.selection.mode is not None:
            conditions += " AND g.mode_id = %(mode)s"
        return conditions

    def of_moments(self) -> str:
        """Conditions on the age of a part, and its time since maintenance, on the day of a finding.

        In a query over ``g``, ``f`` and ``w``.
        """
        return self._of_age() + self._of_maintenance()

    def _of_maintenance(self) -> str:
        if self.selection.since is None:
            return ""
        work, band = self.selection.since
        if work == AT_MAINTENANCE:
            return " AND f.age_known AND g.detected = 'care'"
        self.params["care"] = work
        last = (
            "(SELECT MAX(k.done_on) FROM calls_work k WHERE k.kind = %(care)s AND k.unit_id = f.unit_id"
            " AND (k.installed_part_id = f.id OR k.installed_part_id IS NULL) AND k.done_on < g.found_on"
            f" AND k.done_on >= f.fitted_on AND k.done_on >= w.from_on AND NOT {WITH_REPAIR})"
        )
        from servicedesk.reports.maintenance.since_maintenance import BAND_ENDS

        between = " AND f.age_known AND g.detected <> 'care'"
        if band is None:
            return f"{between} AND {last} IS NULL"
        days = f"({self.day('g.found_on')} - {self.day(last)})"
        low, high = BAND_ENDS[band : band + 2]
        return f"{between} AND {days} > {low}" + (f" AND {days} <= {high}" if isfinite(high) else "")

    def _of_age(self) -> str:
        if self.selection.age is None:
            return ""
        from servicedesk.reports.rates.strata import AGE_ENDS

        age = f"({self.day('g.found_on')} - {self.day('f.fitted_on')})"
        low, high = AGE_ENDS[self.selection.age : self.selection.age + 2]
        # On the day of fitting a part is half a day old.
        above = f" AND {age} > {low}" if low else ""
        return f" AND f.age_known{above}" + (f" AND {age} <= {high}" if isfinite(high) else "")

    def spans(self, *, cut: bool, looks: bool = True) -> str:
        """Common table expression ``w``: the spans of follow-up of the units of the selection.

        With ``cut`` only the days that count; else all up to the day on which the records are read.
        ``before_on`` is the end of the span before, so that a part at risk in several counts once.
        ``begins_over`` marks a span with which the follow-up of a unit began that we had not just fitted.
        With ``looks``, ``looked_on`` is the day of the last inspection of the unit (NULL: none), and
        ``looked_day`` its ordinal; without ``cut`` only of units with a failure that only an inspection
        shows, unless the selected mode is of that sort. Beside it is the table ``lost`` of sites lost to
        follow-up: their follow-up ends on the day before the last contact, because a contact that was a
        failure would count without the time in which there could have been none.
        """
        last, after = ("%(last)s", self.selection.after if cut else None) if cut else ("%(as_of)s", None)
        start = self.greatest("p.from_on", "%(after)s") if after is not None else "p.from_on"
        trait = self.trait
        group = self.expression(trait) if trait is not None and trait.table != "f" else "NULL"
        noted = "CASE WHEN p.ended IN ('lapsed', 'sold') THEN p.last_contact_on END"
        ends = f"COALESCE({noted}, p.until_on, {last})"
        known = f"COALESCE({self._day_before('lost.heard_on')}, {last})"
        inspected, seen = (
            self._looks(of_all=cut or self.by_inspections) if looks else (self._no_inspection(), "")
        )
        return (
            f"{self.lost()}, {seen}w AS MATERIALIZED (SELECT c.*,"
            f" {self.day('c.from_on')} AS first_day, {self.day('c.until_on')} AS last_day,"
            f" {self.day('c.looked_on')} AS looked_day,"
            " LAG(c.until_on) OVER of_unit AS before_on,"
            " c.began <> 'fitted' AND COALESCE(LAG(c.until_on) OVER of_unit < c.from_on, TRUE) AS begins_over"
            f" FROM (SELECT p.unit_id, u.site_id, {group} AS grp, {start} AS from_on, p.began,"
            f" {inspected} AS looked_on,"
            f" {self.least(ends, known, last)} AS until_on"
            " FROM units_observationperiod p JOIN units_unit u ON u.id = p.unit_id"
            " JOIN units_site s ON s.id = u.site_id LEFT JOIN lost ON lost.site_id = u.site_id"
            f"{' LEFT JOIN looks ON looks.unit_id = u.id' if seen else ''}"
            f" WHERE TRUE{self.where('u', 's')}) c"
            " WHERE c.from_on < c.until_on WINDOW of_unit AS (PARTITION BY c.unit_id ORDER BY c.from_on))"
        )

    def _day_before(self, day: str) -> str:
        return self.dialect.day_before.format(day)

    def lost(self) -> str:
        """Common table expression of the sites lost to follow-up, with the day of each one's last contact."""
        nobody = [(0, date.min)]  # a table needs a row
        rows = ", ".join(f"({site}, '{on}')" for site, on in sorted(self.out_of_sight.lost.items()) or nobody)
        day = self.dialect.as_day.format("column2")
        return (
            f"lost AS MATERIALIZED (SELECT column1 AS site_id, {day} AS heard_on FROM (VALUES {rows}) AS v)"
        )

    def _no_inspection(self) -> str:
        return self.dialect.as_day.format("NULL")

    def _looks(self, *, of_all: bool) -> tuple[str, str]:
        """Expression of the last inspection of a unit, and its common table expression with a trailing comma.

        Maintenance counts as an inspection. A finding that only an inspection shows implies one too; where
        there is no other record of it, it only ends the time at risk, and does not count itself: there may
        have been later inspections that found nothing and were not recorded.
        """
        if not self.inspection_modes:
            return self._no_inspection(), ""
        maintenance = ", ".join(f"'{kind.value}'" for kind in MAINTENANCE_WORK)
        mine = ""
        if not of_all:
            subquery = f"SELECT r.unit_id FROM calls_finding r WHERE {self.is_inspection_mode('r.mode_id')}"
            mine = f" AND unit_id IN ({subquery})"
        return "looks.last_on", (
            "looks AS MATERIALIZED (SELECT unit_id, MAX(inspected_on) AS last_on FROM ("
            f"SELECT unit_id, inspected_on FROM calls_inspection WHERE TRUE{mine}"
            f" UNION ALL SELECT unit_id, done_on FROM calls_work WHERE kind IN ({maintenance}){mine}"
            f" UNION ALL SELECT unit_id, {self._day_before('found_on')} FROM calls_finding"
            f" WHERE {self.is_inspection_mode('mode_id')}{mine}) AS seen"
            " WHERE inspected_on <= %(as_of)s GROUP BY unit_id), "
        )

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        """Execute a statement and fetch all rows."""
        with connection.cursor() as cursor:
            cursor.execute(statement, self._used_in(statement))
            return cursor.fetchall()

    def whole_numbers(self, statement: str, *, width: int) -> NDArray[np.int64]:
        """Execute a statement and fetch its rows of integers as an array, in little memory."""
        import numpy as np

        with connection.cursor() as cursor:
            cursor.execute(statement, self._used_in(statement))
            return np.fromiter(chain.from_iterable(cursor), dtype=np.int64).reshape(-1, width)

    def positional(self, statement: str) -> tuple[str, list[Any]]:
        """Statement with positional parameters, and their values in order, for Django's expressions."""
        values = [self.params[name] for name in NAMED.findall(statement)]
        return NAMED.sub("%s", statement), values

    def _used_in(self, statement: str) -> dict[str, Any]:
        """Parameters that a statement names: a database driver may refuse others."""
        return {name: self.params[name] for name in NAMED.findall(statement)}
