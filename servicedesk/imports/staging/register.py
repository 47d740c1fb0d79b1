"""Units and sites of the register that a file refers to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from servicedesk.imports.files.history_file import AboutUnit
from servicedesk.imports.files.names import TYPE_COLUMNS
from servicedesk.imports.files.periods_file import Span, cut_at_removal, spans_of
from servicedesk.imports.files.units_file import Facts, first_difference, stored_number
from units.models import InstalledPart, ObservationPeriod, Unit
from units.operations import LOT_KINDS

# What a row may say about its unit itself, in the order of the file's columns.
UNIT_COLUMNS = (
    *("site", "place", "construction", *TYPE_COLUMNS, "panels", "width", "height", "facing"),
    *("shade", "finish", "above_grade", "installed_on", "removed_on", "lot"),
)


@dataclass
class KnownUnit:
    """Unit of the register in the form of a row of UNITS."""

    unit: Unit
    facts: Facts
    spans: list[Span] = field(default_factory=list)

    def about(self) -> AboutUnit:
        """What a history row must agree with."""
        return AboutUnit(
            installed_on=self.facts["installed_on"],
            removed_on=self.facts.get("removed_on"),
            panels=self.unit.panels,
            kinds=lambda: set(self.unit.installed_parts.values_list("kind", flat=True)),
            unit_id=self.unit.pk,
        )

    def difference(self, facts: Facts, *, has_periods: bool) -> tuple[str, Any] | None:
        """First column in which a row differs, with the register's value; an empty cell does not differ."""
        column = first_difference(facts, self.facts, [name for name in UNIT_COLUMNS if name in facts])
        if column is not None:
            return column, self.facts.get(column)
        if has_periods or not ({"observed_from", "observed_until"} & facts.keys()):
            return None
        span = cut_at_removal(spans_of(facts), facts.get("removed_on"))[0]
        if "observed_from" in facts and span.begins not in {existing.begins for existing in self.spans[:1]}:
            return "observed_from", self.spans[0].begins if self.spans else None
        if "observed_until" in facts and span.ends not in {existing.ends for existing in self.spans[:1]}:
            return "observed_until", self.spans[0].ends if self.spans else None
        return None


def known_units(codes: Iterable[str], *, whole: bool = True) -> dict[str, KnownUnit]:
    """Look up units by code; without ``whole`` only what history rows need."""
    units = Unit.objects.filter(code__in=list(codes)).select_related("site")
    by_pk = {unit.pk: KnownUnit(unit, _facts_of(unit)) for unit in units}
    if whole and by_pk:
        _add_first_parts(by_pk)
        for pk, begins, ends in (
            ObservationPeriod.objects.filter(unit__in=list(by_pk))
            .order_by("unit_id", "from_on", "until_on")
            .values_list("unit_id", "from_on", "until_on")
        ):
            by_pk[pk].spans.append(Span(begins.isoformat(), ends.isoformat() if ends else ""))
    return {row.unit.code: row for row in by_pk.values()}


def _facts_of(unit: Unit) -> Facts:
    """Unit in the form in which rows are compared."""
    facts: Facts = {
        "site": unit.site.code,
        "place": unit.place,
        "construction": unit.construction_id,
        "panels": unit.panels,
        "facing": unit.facing,
        "shade": unit.shade,
        "finish": unit.finish,
        "installed_on": unit.installed_on.isoformat(),
    }
    if unit.removed_on is not None:
        facts["removed_on"] = unit.removed_on.isoformat()
    lengths = {"width": unit.width_mm, "height": unit.height_mm, "above_grade": unit.above_grade_mm}
    facts |= {column: stored_number(mm) for column, mm in lengths.items() if mm is not None}
    return facts


def _add_first_parts(by_pk: dict[int, KnownUnit]) -> None:
    """Add the types and the lot that each unit was installed with, whatever was changed since."""
    first: defaultdict[int, dict[str, tuple[int, str]]] = defaultdict(dict)
    for pk, kind, type_id, lot in (
        InstalledPart.objects.filter(
            unit__in=list(by_pk), panel=InstalledPart.WHOLE, kind__in=[*TYPE_COLUMNS, *LOT_KINDS]
        )
        .order_by("unit_id", "kind", "fitted_on", "pk")
        .values_list("unit_id", "kind", "component_type_id", "lot")
    ):
        first[pk].setdefault(kind, (type_id, lot))
    for pk, parts in first.items():
        facts = by_pk[pk].facts
        facts |= {kind: type_id for kind, (type_id, _) in parts.items() if kind in TYPE_COLUMNS}
        facts["lot"] = next((lot for kind, (_, lot) in parts.items() if kind in LOT_KINDS and lot), "")
