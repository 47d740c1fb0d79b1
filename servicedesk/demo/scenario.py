"""Builds the demo fleet: which windows went into which porch, their parts, and what was replaced since.

The same scenario, seed and day always give the same fleet. What happens to a unit (removal, lapse, retrofit)
is decided without looking at its failures, so that its time at risk says nothing about them.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from servicedesk.demo.dice import Dice
from servicedesk.demo.fleet import Fleet, PlannedUnit, Swap, items_of
from servicedesk.demo.maintenance import maintenance_rounds
from servicedesk.demo.neighbors import build_sites, working_day, years
from servicedesk.demo.porches import fit_out
from servicedesk.demo.sources import Retrofit, Scenario

STREAMS = 7
SITES, UNITS, CHANGES, FAILURES, RECORDS, STORY, MAINTENANCE = range(STREAMS)
SETTLED = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Porchful:
    """Units of one construction that were installed in a porch together."""

    site: str
    construction: str
    installed_on: date
    units: tuple[PlannedUnit, ...]


def build_fleet(scenario: Scenario, *, today: date, seed: int | None = None) -> Fleet:
    """Build the fleet as it stands on a day."""
    seed = scenario.seed if seed is None else seed
    streams = Dice.streams(seed, count=STREAMS)
    sites = build_sites(scenario, today=today, dice=streams[SITES])
    units = [unit for site in sites for unit in fit_out(site, scenario, today=today, dice=streams[UNITS])]
    together = _porchfuls(units)
    _mark_bad_lot(together, scenario, today=today, dice=streams[CHANGES])
    for retrofit in scenario.retrofits:
        _retrofit(together, retrofit, today=today, dice=streams[CHANGES])
    _change_panel_keys(units, scenario, today=today, dice=streams[CHANGES])
    items = [item for unit in units for item in items_of(unit, scenario=scenario)]
    rounds = maintenance_rounds(sites, scenario, today=today, dice=streams[MAINTENANCE])
    return Fleet(
        scenario=scenario, today=today, seed=seed, sites=sites, units=units, items=items, rounds=rounds
    )


def stream(fleet: Fleet, number: int) -> Dice:
    """Independent random generator number ``number`` of a fleet's seed."""
    return Dice.streams(fleet.seed, count=STREAMS)[number]


def _porchfuls(units: Sequence[PlannedUnit]) -> list[Porchful]:
    """Units grouped by common installation."""
    groups: dict[tuple[str, date], list[PlannedUnit]] = {}
    for unit in units:
        groups.setdefault((unit.site.code, unit.installed_on), []).append(unit)
    return [
        Porchful(site, members[0].construction, on, tuple(members)) for (site, on), members in groups.items()
    ]


def _mark_bad_lot(together: Sequence[Porchful], scenario: Scenario, *, today: date, dice: Dice) -> None:
    """Assign the bad lot to a few porches that were installed in its time."""
    bad = scenario.bad_lot
    low, high = (today - years(age) for age in reversed(bad.years_ago))
    fitting = [
        porchful
        for porchful in together
        if porchful.construction == bad.construction
        and low <= porchful.installed_on <= high
        and porchful.units[0].observed_from == porchful.installed_on
    ]
    for porchful in dice.some_of(fitting, bad.sites):
        for unit in porchful.units:
            unit.lot = bad.lot


def _retrofit(together: Sequence[Porchful], retrofit: Retrofit, *, today: date, dice: Dice) -> None:
    """Replace a part by another type at some porches that still stand and are under follow-up."""
    low, high = retrofit.after_years
    old_enough = [
        porchful
        for porchful in together
        if retrofit.construction in ("", porchful.construction)
        and porchful.units[0].site.fate.what == "with us"
        and porchful.units[0].observed_from + years(low) < today - SETTLED
    ]
    for porchful in dice.some_of(old_enough, retrofit.sites):
        on = _day_within(porchful.units[0].observed_from, low=low, high=high, today=today, dice=dice)
        for unit in porchful.units:
            unit.swaps.append(Swap(retrofit.to, on))


def _change_panel_keys(units: Sequence[PlannedUnit], scenario: Scenario, *, today: date, dice: Dice) -> None:
    """Replace the four keys of one panel in a few units by another type."""
    keys = scenario.panel_keys
    low, high = keys.after_years
    old_enough = [
        unit
        for unit in units
        if unit.construction == keys.construction
        and unit.panels is not None
        and unit.site.fate.what == "with us"
        and unit.observed_from + years(low) < today - SETTLED
    ]
    for unit in dice.some_of(old_enough, keys.units):
        on = _day_within(unit.observed_from, low=low, high=high, today=today, dice=dice)
        unit.swaps.append(Swap(keys.to, on, panel=dice.whole(1, unit.panels or 1)))


def _day_within(begin: date, *, low: float, high: float, today: date, dice: Dice) -> date:
    """Working day some years after a day, a month ago at the latest."""
    latest = min(begin + years(high), today - SETTLED)
    earliest = begin + years(low)
    return working_day(earliest + timedelta(days=dice.whole(0, max(0, (latest - earliest).days))))
