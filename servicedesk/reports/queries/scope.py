"""The SQL by which one selection's watched time and findings are read, on SQLite and PostgreSQL alike.

Names used throughout: ``f`` a fitment, ``g`` a finding, ``u`` a unit, ``s`` a site, ``w`` a span in which a
unit was watched. A part is at risk on the half-open span from the later of its fitting and the beginning of
the watch to the earlier of its removal and the end of the watch.
"""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from itertools import chain
from math import isfinite
from typing import Any, Final

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from servicedesk.people.models import Touch
from servicedesk.reports.selection import AT_CARE, Selection
from servicedesk.reports.since_care import BAND_ENDS
from servicedesk.reports.strata import AGE_ENDS
from servicedesk.reports.traits import MODE, TRAITS, Key, Trait

NAMED = re.compile(r"%\((\w+)\)s")


@dataclass(frozen=True)
class Dialect:
    """Where the two databases speak differently."""

    greatest: str
    least: str
    day: str
    year: str
    fence: str
    unindexed: str


# Days are counted as Python's date.toordinal counts them. The fence keeps a subquery whole, so that the
# grouping above it sorts small rows and not everything the subquery read. Unindexed keeps SQLite from walking
# an index of dates where nearly all dates are asked for.
DIALECTS: Final = {
    "sqlite": Dialect(
        "MAX",
        "MIN",
        "CAST(julianday({0}) - 1721424.5 AS INTEGER)",
        "CAST(substr({0}, 1, 4) AS INTEGER)",
        "LIMIT -1",
        "+{0}",
    ),
    "postgresql": Dialect(
        "GREATEST",
        "LEAST",
        "({0} - DATE '0001-01-01' + 1)",
        "EXTRACT(YEAR FROM {0})::int",
        "OFFSET 0",
        "{0}",
    ),
}

OVERLAPS: Final = (
    "w.unit_id = f.unit_id AND f.fitted_on < w.until_on"
    " AND (f.removed_on IS NULL OR (f.removed_on > w.from_on AND f.removed_on > f.fitted_on))"
)
"""That a part was at risk for at least a day of a watched span."""


@dataclass
class Scope:
    """One selection as pieces of SQL and the values they take.

    ``by`` names what is grouped by: a trait, or failure modes, or nothing. ``block`` keeps to one block of
    sites (`Touch.BLOCKS`).
    """

    selection: Selection
    by: str = ""
    block: int | None = None
    params: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.dialect = DIALECTS[connection.vendor]
        day = connection.ops.adapt_datefield_value
        chosen = self.selection
        self.params |= {"as_of": day(chosen.as_of), "last": day(chosen.last), "mode": chosen.mode}
        if chosen.after is not None:
            self.params["after"] = day(chosen.after)

    @property
    def trait(self) -> Trait | None:
        """The trait that parts are grouped by; failure modes are grouped within the kind of the part."""
        return TRAITS["part"] if self.by == MODE else TRAITS.get(self.by)

    def day(self, column: str) -> str:
        """Count the days up to a date."""
        return self.dialect.day.format(column)

    def greatest(self, *values: str) -> str:
        """Take the latest of several dates."""
        return f"{self.dialect.greatest}({', '.join(values)})"

    def least(self, *values: str) -> str:
        """Take the earliest of several dates."""
        return f"{self.dialect.least}({', '.join(values)})"

    def expression(self, trait: Trait) -> str:
        """Give the expression of a trait."""
        return trait.sql.format(year=self.dialect.year.format("f.fitted_on"))

    def group(self) -> str:
        """Give the group of a part in a query over ``f`` and ``w``."""
        if self.trait is None:
            return "0"
        return self.expression(self.trait) if self.trait.table == "f" else "w.grp"

    def where(self, *tables: str, among: Collection[str] = tuple(TRAITS)) -> str:
        """Give the conditions that the selection puts on traits of some tables, each with a leading AND."""
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

    def of_fitments(self) -> str:
        """Give the conditions on a part that do not look at its unit's watched spans."""
        return self.where("f")

    def of_units(self) -> str:
        """Give the condition that a part's unit is one of the selection, where that is not all of them."""
        conditions = self.where("u", "s") + self._in_block("u.site_id")
        if not conditions:
            return ""
        return (
            " AND f.unit_id IN (SELECT u.id FROM units_unit u JOIN units_site s ON s.id = u.site_id"
            f" WHERE TRUE{conditions})"
        )

    def of_block(self, unit: str) -> str:
        """Give the condition that a unit is one of the block's, where only one block is asked for."""
        if self.block is None:
            return ""
        return f" AND {unit} IN (SELECT v.id FROM units_unit v WHERE TRUE{self._in_block('v.site_id')})"

    def _in_block(self, site: str) -> str:
        return "" if self.block is None else f" AND {site} %% {Touch.BLOCKS} = {int(self.block)}"

    def of_findings(self) -> str:
        """Give the conditions on a finding: the days that count, and the mode."""
        found_on = self.dialect.unindexed.format("g.found_on")
        conditions = f" AND {found_on} <= %(last)s"
        if self.selection.after is not None:
            conditions += " AND g.found_on > %(after)s"
        if self.selection.mode is not None:
            conditions += " AND g.mode_id = %(mode)s"
        return conditions

    def of_moments(self) -> str:
        """Give the conditions on how old a part was, and how long after care, when a finding was made.

        In a query over ``g``, ``f`` and ``w``.
        """
        return self._of_age() + self._of_care()

    def _of_care(self) -> str:
        if self.selection.since is None:
            return ""
        work, band = self.selection.since
        if work == AT_CARE:
            return " AND f.age_known AND g.detected = 'care'"
        self.params["care"] = work
        last = (
            "(SELECT MAX(k.done_on) FROM calls_work k WHERE k.kind = %(care)s AND k.unit_id = f.unit_id"
            " AND (k.fitment_id = f.id OR k.fitment_id IS NULL) AND k.done_on < g.found_on"
            " AND k.done_on >= f.fitted_on AND k.done_on >= w.from_on)"
        )
        between = " AND f.age_known AND g.detected <> 'care'"
        if band is None:
            return f"{between} AND {last} IS NULL"
        days = f"({self.day('g.found_on')} - {self.day(last)})"
        low, high = BAND_ENDS[band : band + 2]
        return f"{between} AND {days} > {low}" + (f" AND {days} <= {high}" if isfinite(high) else "")

    def _of_age(self) -> str:
        if self.selection.age is None:
            return ""
        age = f"({self.day('g.found_on')} - {self.day('f.fitted_on')})"
        low, high = AGE_ENDS[self.selection.age : self.selection.age + 2]
        # On the day of fitting a part is half a day old.
        above = f" AND {age} > {low}" if low else ""
        return f" AND f.age_known{above}" + (f" AND {age} <= {high}" if isfinite(high) else "")

    def spans(self, *, cut: bool) -> str:
        """Give the table ``w``: the spans in which units of the selection were watched.

        With ``cut`` only the days that count; else all up to the day on which the records are read.
        ``before_on`` is the end of the span before, so that a part at risk in several counts once.
        """
        last, after = ("%(last)s", self.selection.after if cut else None) if cut else ("%(as_of)s", None)
        start = self.greatest("p.from_on", "%(after)s") if after is not None else "p.from_on"
        trait = self.trait
        group = self.expression(trait) if trait is not None and trait.table != "f" else "NULL"
        return (
            "w AS MATERIALIZED (SELECT c.*,"
            f" {self.day('c.from_on')} AS first_day, {self.day('c.until_on')} AS last_day,"
            " LAG(c.until_on) OVER (PARTITION BY c.unit_id ORDER BY c.from_on) AS before_on"
            f" FROM (SELECT p.unit_id, u.site_id, {group} AS grp, {start} AS from_on,"
            f" {self.least(f'COALESCE(p.until_on, {last})', last)} AS until_on"
            " FROM units_observationperiod p JOIN units_unit u ON u.id = p.unit_id"
            f" JOIN units_site s ON s.id = u.site_id WHERE TRUE{self.where('u', 's')}"
            f"{self._in_block('u.site_id')}) c"
            " WHERE c.from_on < c.until_on)"
        )

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        """Run a statement and fetch all it answers."""
        with connection.cursor() as cursor:
            cursor.execute(statement, self._used_in(statement))
            return cursor.fetchall()

    def whole_numbers(self, statement: str, *, width: int) -> NDArray[np.int64]:
        """Run a statement and fetch the whole numbers it answers, row by row: millions need little memory."""
        with connection.cursor() as cursor:
            cursor.execute(statement, self._used_in(statement))
            return np.fromiter(chain.from_iterable(cursor), dtype=np.int64).reshape(-1, width)

    def positional(self, statement: str) -> tuple[str, list[Any]]:
        """Give a statement with its values in order, as Django's expressions take them."""
        values = [self.params[name] for name in NAMED.findall(statement)]
        return NAMED.sub("%s", statement), values

    def _used_in(self, statement: str) -> dict[str, Any]:
        """Give the values that a statement names: a database driver may refuse others."""
        return {name: self.params[name] for name in NAMED.findall(statement)}
