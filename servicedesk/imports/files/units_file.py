"""Reader of UNITS: a unit and its site."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import date
from decimal import Decimal
from functools import lru_cache, partial
from typing import Any, cast

from django.conf import settings

from servicedesk.imports.files import cells
from servicedesk.imports.files.cells import REMEMBERED, CellReader
from servicedesk.imports.files.columns import UNITS
from servicedesk.imports.files.names import TYPE_COLUMNS, Names
from servicedesk.imports.files.reading import Row
from units.geometry import suggest_panels
from units.lengths import LengthUnit, format_length
from units.models import Unit
from units.operations import LOT_KINDS

Facts = dict[str, Any]
"""Facts of a row, by column, as JSON stores them: days and exact numbers as text, rows by key."""

SITE_COLUMNS = ("customer", "address", "postcode", "latitude", "longitude", "year_built")
LENGTH_COLUMNS = ("width", "height", "above_grade")


class UnitsReader:
    """Reader of rows of UNITS into facts."""

    def __init__(self, names: Names, *, today: date) -> None:
        self.names = names
        self._readers = _readers(names, today)

    def read(self, row: Row) -> Facts:
        """Read a row; what can't be read becomes a fault of the row and is left out of the facts."""
        taker = CellReader(row, UNITS.required)
        facts: Facts = {}
        for column, read in self._readers.items():
            if column in row.cells and (value := taker.take(column, read)) is not None:
                facts[column] = value
        _check_pair(taker, facts)
        _check_order(taker, facts)
        self._check_lot(taker, facts)
        return facts

    def _check_lot(self, taker: CellReader, facts: Facts) -> None:
        """Refuse a lot that belongs to no part of the row."""
        if "lot" not in facts or any(taker.is_broken(column) for column in ("construction", *LOT_KINDS)):
            return
        kinds = self.names.kinds_of(facts.get("construction"), single_types(facts).values())
        if not kinds & set(LOT_KINDS):
            taker.fault(
                "lot",
                "The lot marks track, sash and corners, and none of them is named in this row. "
                "Name the construction or one of these parts, or leave the lot out.",
            )


def _readers(names: Names, today: date) -> dict[str, Callable[[str], Any]]:
    """Readers by column; parsed values are cached."""
    unit = cast(LengthUnit, settings.LENGTH_UNIT)
    day = partial(_stored_day, cells.day(today))
    readers: dict[str, Callable[[str], Any]] = {
        "unit": cells.words(40),
        "site": cells.words(40),
        "customer": cells.words(160),
        "address": cells.words(240),
        "postcode": cells.words(16),
        "latitude": partial(_stored_number, cells.coordinate(90)),
        "longitude": partial(_stored_number, cells.coordinate(180)),
        "year_built": cells.whole(1600, 2200, "The year the house was built"),
        "place": cells.words(120),
        "construction": lambda text: names.construction(text).pk,
        "panels": cells.whole(1, 12, "The number of panels"),
        "width": partial(_stored_number, cells.length(unit, may_be_zero=False)),
        "height": partial(_stored_number, cells.length(unit, may_be_zero=False)),
        "facing": cells.facing,
        "shade": cells.choice([value for value in Unit.Shade.values if value]),
        "finish": cells.choice([value for value in Unit.Finish.values if value]),
        "above_grade": partial(_stored_number, cells.length(unit, may_be_zero=True)),
        "installed_on": day,
        "observed_from": day,
        "observed_until": partial(_stored_day, cells.any_day),
        "removed_on": day,
        "lot": cells.words(60),
    }
    for kind in TYPE_COLUMNS:
        readers[kind] = partial(_stored_key, names.component_type(kind))
    return {name: lru_cache(maxsize=REMEMBERED)(readers[name]) for name in UNITS.names}


def _stored_day(read: Callable[[str], date], text: str) -> str:
    return read(text).isoformat()


def _stored_number(read: Callable[[str], Decimal], text: str) -> str:
    return stored_number(read(text))


def _stored_key(read: Callable[[str], Any], text: str) -> int:
    return int(read(text).pk)


def stored_number(value: Decimal) -> str:
    """Canonical form of an exact number, in which two of them are compared."""
    return f"{value:.6f}"


def _check_pair(taker: CellReader, facts: Facts) -> None:
    """Refuse one coordinate without the other."""
    for column, other in (("latitude", "longitude"), ("longitude", "latitude")):
        if column in facts and other not in facts:
            if not taker.is_broken(other):
                taker.fault(other, f"The {column} is given without a {other}. Give both, or neither.")
            del facts[column]


# Pairs of days that must be in order, with the sentence for a row in which they are not.
_ORDER = (
    ("installed_on", "observed_from", "The unit can't have been watched before it was installed on {}."),
    ("installed_on", "removed_on", "The unit can't have been removed before it was installed on {}."),
    ("observed_from", "observed_until", "Watching can't have ended before it began on {}."),
    ("installed_on", "observed_until", "Watching can't have ended before the unit was installed on {}."),
    ("observed_from", "removed_on", "The unit can't have been removed before watching began on {}."),
)


def _check_order(taker: CellReader, facts: Facts) -> None:
    """Refuse days that are out of order; the later of the two gets the reason, once."""
    for earlier, later, reason in _ORDER:
        both = earlier in facts and later in facts
        if both and facts[later] < facts[earlier] and not taker.is_broken(later):
            taker.fault(later, f"{reason.format(facts[earlier])} Check the two days.")


def first_day(facts: Mapping[str, Any]) -> str | None:
    """First day on which a unit was known to us."""
    return cast("str | None", facts.get("observed_from", facts.get("installed_on")))


def panels_of(facts: Mapping[str, Any]) -> int | None:
    """Number of panels of a unit: as counted, else by the rule for its height, else None."""
    if "panels" in facts:
        return cast(int, facts["panels"])
    return suggest_panels(Decimal(facts["height"])) if "height" in facts else None


def number_of(facts: Mapping[str, Any], column: str) -> Decimal | None:
    """Exact number of a fact."""
    return Decimal(facts[column]) if column in facts else None


def single_types(facts: Mapping[str, Any]) -> dict[str, int]:
    """Types named one by one, by kind."""
    return {kind: facts[kind] for kind in TYPE_COLUMNS if kind in facts}


def first_difference(
    facts: Mapping[str, Any], other: Mapping[str, Any], columns: Iterable[str]
) -> str | None:
    """First of some columns in which two sets of facts differ; capitals don't count."""
    return next((column for column in columns if not same(facts.get(column), other.get(column))), None)


def same(one: Any, other: Any) -> bool:
    """Return whether two facts are equal."""
    if isinstance(one, str) and isinstance(other, str):
        return one.casefold() == other.casefold()
    return bool(one == other)


def shown_fact(column: str, value: Any, names: Names) -> str:
    """Fact as people read it."""
    if value is None or value == "":
        return "nothing"
    if column == "construction":
        return f"“{names.constructions[value].name}”"
    if column in TYPE_COLUMNS:
        return f"“{names.types[value].name}”"
    if column in LENGTH_COLUMNS:
        return format_length(Decimal(value), unit=cast(LengthUnit, settings.LENGTH_UNIT))
    return f"“{value}”"
