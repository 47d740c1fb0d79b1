"""Simulation of failures: true hazards, failures drawn from them, and expected counts.

Days are counted whole. On its ``k``-th day an item is expected to fail ``(k / scale) ** shape -
((k - 1) / scale) ** shape`` times, times the factors of its site, its surroundings, the season of that day
and the time since it was lubricated. A failing piece is replaced and the item goes on, so the failures of one
item are a Poisson process. Given the sites' factors and the days of maintenance, the number of failures in
any span at risk is therefore Poisson with the integrated hazard as its mean, which is what makes the truth
known.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from servicedesk.demo.fleet import DAYS_PER_YEAR, OURS, Fleet, Item
from servicedesk.demo.maintenance import maintenance_of
from servicedesk.demo.sources import Hazard, Scenario

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SUNNY_FROM, SUNNY_UNTIL = 110, 295


@dataclass(frozen=True, slots=True)
class Failure:
    """True failure: its item, its mode, and its day."""

    item: Item
    hazard: Hazard
    on: date


@dataclass(frozen=True, slots=True)
class Risk:
    """Items of one type, installation day and maintenance under one hazard, with their spans at risk.

    ``item`` is the position of each span's item in ``items``; ``begin`` and ``end`` are the ages in days
    between which it is at risk (from the day after ``begin``, up to ``end``); ``cumulative`` holds the
    expected failures by age before the item's own factor, ``expected`` those of each span with it.
    """

    hazard: Hazard
    items: Sequence[Item]
    item: IntArray
    begin: IntArray
    end: IntArray
    cumulative: FloatArray
    expected: FloatArray


def simulate_failures(fleet: Fleet, generator: np.random.Generator) -> list[Failure]:
    """Draw failures from the true hazards, during time at risk only, in the order of the days."""
    failures = []
    for risk in risks(fleet):
        counts = generator.poisson(risk.expected)
        for span in np.flatnonzero(counts):
            low, high = risk.cumulative[risk.begin[span]], risk.cumulative[risk.end[span]]
            drawn = low + generator.random(int(counts[span])) * (high - low)
            item = risk.items[risk.item[span]]
            for age in np.searchsorted(risk.cumulative, drawn, side="right"):
                day = item.fitted_on + timedelta(days=min(int(age), int(risk.end[span])))
                failures.append(Failure(item, risk.hazard, day))
    return sorted(failures, key=lambda f: (f.on, f.item.unit.code, f.hazard.mode, f.item.panel))


def true_integrated_hazard(fleet: Fleet) -> dict[tuple[str, str], float]:
    """Integrated true hazard of all items over their days at risk, by component type and failure mode.

    This is the mean of the Poisson number of failures in the records, given the fleet, its
    spans at risk and the factors of its sites.
    """
    truth: dict[tuple[str, str], float] = {}
    for risk in risks(fleet):
        key = (risk.hazard.component_type, risk.hazard.mode)
        truth[key] = truth.get(key, 0.0) + float(risk.expected.sum())
    return truth


def risks(fleet: Fleet) -> Iterator[Risk]:
    """Risks of the fleet by type, installation day and maintenance, so that each is computed once."""
    by_type: dict[str, list[Hazard]] = {}
    for hazard in fleet.scenario.hazards:
        by_type.setdefault(hazard.component_type, []).append(hazard)
    by_maintenance = {
        name for name, rows in by_type.items() if any(row.maintenance_shape != 1 for row in rows)
    }
    together: dict[tuple[str, date, tuple[int, ...]], list[Item]] = {}
    for item in fleet.items:
        lubricated = lubricated_at(item, fleet) if item.component_type in by_maintenance else ()
        together.setdefault((item.component_type, item.fitted_on, lubricated), []).append(item)
    clock = _Clock(fleet)
    for (component_type, fitted_on, lubricated), items in together.items():
        around = [surroundings(item, fleet.scenario) for item in items]
        spans = [
            (position, (first - fitted_on).days, (last - fitted_on).days)
            for position, item in enumerate(items)
            for first, last in item.watched(fleet.today)
        ]
        if not spans:
            continue
        position, begin, end = np.array(spans, dtype=np.int64).T
        for hazard in by_type.get(component_type, []):
            days = int(end.max())
            cumulative = clock.cumulative(hazard, fitted_on=fitted_on, lubricated=lubricated, days=days)
            factors = np.array([_factor(*known, hazard) for known in zip(items, around, strict=True)])
            expected = factors[position] * (cumulative[end] - cumulative[begin])
            yield Risk(hazard, items, position, begin, end, cumulative, expected)


def lubricated_at(item: Item, fleet: Fleet) -> tuple[int, ...]:
    """Ages in days at which an item was lubricated, where its maintenance is ours.

    That is done on maintenance visits, and whenever a window is installed or comes under our maintenance.
    """
    unit = item.unit
    if unit.site.care_by != OURS:
        return ()
    days = [begins for begins, _ in unit.periods()]
    days += [went.on for went in maintenance_of(unit, fleet) if went.lubricated]
    return tuple(sorted({0, *((day - item.fitted_on).days for day in days if day > item.fitted_on)}))


class _Clock:
    """Cumulative hazard by age, with what installation days have in common computed once."""

    def __init__(self, fleet: Fleet) -> None:
        self._first = min(item.fitted_on for item in fleet.items)
        self._days = (fleet.today - self._first).days
        calendar = np.datetime64(self._first, "D") + np.arange(1, self._days + 1)
        self._months = calendar.astype("datetime64[M]").astype(np.int64) % 12
        self._daily: dict[Hazard, tuple[FloatArray, FloatArray]] = {}

    def cumulative(
        self, hazard: Hazard, *, fitted_on: date, lubricated: tuple[int, ...], days: int
    ) -> FloatArray:
        """Cumulative hazard at ages 0, 1, ... ``days`` of an item, without the item's own factor."""
        if hazard not in self._daily:
            ages = np.arange(self._days + 1) / (hazard.scale_years * DAYS_PER_YEAR)
            self._daily[hazard] = (np.diff(ages**hazard.shape), np.array(hazard.season)[self._months])
        by_age, by_day = self._daily[hazard]
        offset = (fitted_on - self._first).days
        cumulative = np.zeros(days + 1)
        by_maintenance = _since_lubrication(hazard.maintenance_shape, lubricated, days=days)
        np.cumsum(by_age[:days] * by_day[offset : offset + days] * by_maintenance, out=cumulative[1:])
        return cumulative


def _since_lubrication(shape: float, lubricated: tuple[int, ...], *, days: int) -> FloatArray:
    """Factor of each day of an item's life by the time since its lubrication: one where it never was."""
    if not lubricated:
        return np.ones(days)
    eves = np.arange(days)
    starts = np.array(lubricated)
    years = (eves - starts[np.searchsorted(starts, eves, side="right") - 1]) / DAYS_PER_YEAR
    factors: FloatArray = ((years + 1 / DAYS_PER_YEAR) ** shape - years**shape) * DAYS_PER_YEAR
    return factors


def _factor(item: Item, around: Mapping[str, str], hazard: Hazard) -> float:
    """Product of all factors that make one item fail more or less often than another of its type and age."""
    factor = item.unit.site.factor
    for name, levels in hazard.effects.items():
        factor *= levels.get(around[name], 1.0)
    return factor


def surroundings(item: Item, scenario: Scenario) -> dict[str, str]:
    """Covariates of an item: coast, maintenance, lot, sun, and the heat of its color in that sun."""
    unit = item.unit
    sun = sun_on(unit.facing, unit.shade)
    color = unit.finish if unit.finish in ("dark", "medium") else "pale"
    bad = scenario.bad_lot
    return {
        "coast": unit.site.coast,
        "care": unit.site.care_by,
        "lot": "bad" if (item.lot, item.component_type) == (bad.lot, bad.component_type) else "",
        "sun": sun,
        "heat": f"{color}, {sun} sun",
    }


def sun_on(facing: int, shade: str) -> str:
    """Sun exposure of a unit (full, part or none), from its bearing and its shade."""
    sunny = SUNNY_FROM <= facing <= SUNNY_UNTIL
    if sunny and shade == "none":
        return "full"
    return "part" if (sunny and shade == "part") or (not sunny and shade == "none") else "no"
