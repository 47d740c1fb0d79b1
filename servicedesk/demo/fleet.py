"""Data classes of the demo fleet: sites with their people, units, the parts in them, and their follow-up.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from servicedesk.demo.sources import Scenario
from units.geometry.panels import suggest_panels
from units.lengths import MM_PER_INCH

DAYS_PER_YEAR = 365.25
OURS = "us"


@dataclass(frozen=True, slots=True)
class Neighbor:
    """Customer of the demo."""

    name: str
    phone: str
    email: str


@dataclass(frozen=True, slots=True)
class Fate:
    """Fate of a site: still with us, removed, lapsed (and perhaps back), or sold (and to whom).

    ``watch_ends_on`` is the last day of follow-up and ``back_on`` the day it began again.
    """

    what: Literal["with us", "removed", "lapsed", "sold"] = "with us"
    on: date | None = None
    back_on: date | None = None
    buyer: Neighbor | None = None

    @property
    def watch_ends_on(self) -> date | None:
        """Day on which follow-up ended, if it did."""
        return None if self.what == "sold" and self.buyer is not None else self.on


@dataclass(frozen=True, slots=True)
class PlannedSite:
    """Address with its exposure, its owner, and who does the maintenance."""

    code: str
    address: str
    postcode: str
    latitude: float
    longitude: float
    year_built: int | None
    coast: str
    care_by: str
    access_note: str
    customer: Neighbor
    joined_on: date
    taken_over: bool
    fate: Fate
    factor: float


@dataclass(frozen=True, slots=True)
class Round:
    """Maintenance visit to a site: its day, and whether bare tracks were lubricated or only checked."""

    on: date
    lubricated: bool


@dataclass(frozen=True, slots=True)
class AsBuilt:
    """Measurements of the crew on the day a unit was installed (lengths in inches)."""

    crew: str
    day_temperature_c: int
    end_gap: Fraction | None
    opening_width: Fraction
    opening_height: Fraction


@dataclass(frozen=True, slots=True)
class Swap:
    """Parts of a unit replaced by another type on a day; ``panel`` 0 means the whole set."""

    to: str
    on: date
    panel: int = 0


@dataclass(slots=True)
class PlannedUnit:
    """Window (lengths in inches)."""

    code: str
    site: PlannedSite
    place: str
    construction: str
    corner: str
    panels: int | None
    width: Fraction
    height: Fraction
    facing: int
    shade: str
    finish: str
    above_grade: str
    installed_on: date
    observed_from: date
    lot: str
    lower_lite: Fraction | None
    jamb: bool
    stack: str
    release_side: str
    as_built: AsBuilt | None
    swaps: list[Swap] = field(default_factory=list)

    @property
    def panels_by_rule(self) -> int:
        """Number of panels an import gives the unit by its height, where nobody counted."""
        return suggest_panels(millimeters(self.height))

    @property
    def removed_on(self) -> date | None:
        """Day the unit was removed, if it was."""
        return self.site.fate.on if self.site.fate.what == "removed" else None

    def periods(self) -> list[tuple[date, date | None]]:
        """Observation periods of the unit: when a failure of it would have been reported to us."""
        fate = self.site.fate
        first = (self.observed_from, fate.watch_ends_on)
        return [first] if fate.back_on is None else [first, (fate.back_on, None)]


@dataclass(frozen=True, slots=True)
class Item:
    """Pieces of one type in one slot of a unit, from installation to removal."""

    unit: PlannedUnit
    component_type: str
    kind: str
    panel: int
    pieces: int
    fitted_on: date
    removed_on: date | None
    lot: str

    def watched(self, today: date) -> list[tuple[date, date]]:
        """Spans at risk (after the first day, up to the last), in which our records would show a failure."""
        spans = []
        for begins, ends in self.unit.periods():
            first = max(self.fitted_on, begins)
            last = min(day for day in (self.removed_on, ends, today) if day is not None)
            if last > first:
                spans.append((first, last))
        return spans


@dataclass(frozen=True, slots=True)
class Fleet:
    """The whole demo fleet as of a day, with the maintenance visits to each site by its code."""

    scenario: Scenario
    today: date
    seed: int
    sites: list[PlannedSite]
    units: list[PlannedUnit]
    items: list[Item]
    rounds: Mapping[str, Sequence[Round]]

    def item_years(self) -> dict[str, float]:
        """Years at risk of the items of each type."""
        years: dict[str, float] = {}
        for item in self.items:
            days = sum((last - first).days for first, last in item.watched(self.today))
            years[item.component_type] = years.get(item.component_type, 0.0) + days / DAYS_PER_YEAR
        return years


def inches(length: Fraction) -> str:
    """Format inches as people write them, such as ``35 7/8``."""
    whole, rest = divmod(length, 1)
    return " ".join(str(part) for part in (whole, rest) if part) or "0"


def millimeters(length: Fraction) -> Decimal:
    """Convert inches to exact millimeters."""
    return Decimal(length.numerator) / Decimal(length.denominator) * MM_PER_INCH


def items_of(unit: PlannedUnit, *, scenario: Scenario) -> list[Item]:
    """Items of a unit: those of its construction, split where they were replaced."""
    wanted = {"lite": unit.lower_lite is not None, "jamb": unit.jamb}
    items: list[Item] = []
    for part in scenario.parts[unit.construction]:
        if part.optional and not wanted[part.kind]:
            continue
        component_type = unit.corner if part.kind == "corner" and unit.corner else part.component_type
        pieces = part.pieces * (unit.panels or unit.panels_by_rule) if part.each_panel else part.pieces
        lot = unit.lot if part.kind in ("track", "sash", "corner") else ""
        items += _lifetimes(unit, component_type, part.kind, pieces=pieces, lot=lot, kinds=scenario.kinds)
    return items


def _lifetimes(
    unit: PlannedUnit, component_type: str, kind: str, *, pieces: int, lot: str, kinds: Mapping[str, str]
) -> list[Item]:
    """Lifetimes in one slot through the replacements of its parts."""
    swaps = sorted((swap for swap in unit.swaps if kinds[swap.to] == kind), key=lambda swap: swap.on)
    sets = [swap for swap in swaps if not swap.panel]
    starts = [(component_type, unit.installed_on, lot), *((swap.to, swap.on, "") for swap in sets)]
    ends = [swap.on for swap in sets] + [unit.removed_on]
    lifetimes = [
        Item(unit, made_as, kind, 0, pieces, fitted_on, removed_on, item_lot)
        for (made_as, fitted_on, item_lot), removed_on in zip(starts, ends, strict=True)
    ]
    for swap in swaps:
        if swap.panel:
            share = pieces // (unit.panels or 1)
            lifetimes.append(Item(unit, swap.to, kind, swap.panel, share, swap.on, unit.removed_on, ""))
    return lifetimes
