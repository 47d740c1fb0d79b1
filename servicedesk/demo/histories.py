"""History of the demo fleet: calls, findings and maintenance as older records would show them.

Every failure in time at risk is found in the same span, at a call some days later or on the next maintenance
visit. So the records contain exactly the failures that happened, dated a little late, as records are.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from itertools import chain

from servicedesk.demo.dice import Dice
from servicedesk.demo.fleet import DAYS_PER_YEAR, Fleet, Item, PlannedUnit
from servicedesk.demo.hazards import Failure, simulate_failures
from servicedesk.demo.maintenance import maintenance_of
from servicedesk.demo.scenario import FAILURES, RECORDS, stream
from servicedesk.demo.sources import Hazard

CORNERS = ("UL", "UR", "LL", "LR")
MAINTENANCE_WITHIN = timedelta(days=200)
WHOLE_UNIT_MODE = "OPR-01"
# Once a year all usual maintenance is done, which a row without a description of the work means.
WITHOUT_LUBRICATION = "cleaned, checked"


@dataclass(frozen=True, slots=True)
class Entry:
    """Row of the older records, with the columns of a history file."""

    unit: str
    on: date
    what: str
    mode: str = ""
    where: str = ""
    failure: bool = False
    repeat: bool = False
    work: str = ""
    minutes: int | None = None
    note: str = ""
    ref: str = ""


@dataclass(slots=True)
class Records:
    """Older records of a fleet, and their known true counts.

    ``failures`` are the true ones, each an event. The first three numbers count the failures in the records
    that are no events: repeats of a fault, faults found on the day of taking over, and faults that are
    assigned to no part. ``wear_only`` and ``in_vain`` count findings of wear and calls without a finding.
    """

    failures: list[Failure]
    entries: list[Entry] = field(default_factory=list)
    repeats: int = 0
    at_take_over: int = 0
    of_no_part: int = 0
    wear_only: int = 0
    in_vain: int = 0


def write_records(fleet: Fleet) -> Records:
    """Simulate the fleet's failures and write the records its owners and technicians made of them."""
    records = Records(simulate_failures(fleet, stream(fleet, FAILURES).generator))
    dice = stream(fleet, RECORDS)
    scribe = _Scribe(fleet, records, dice)
    for unit in fleet.units:
        scribe.trouble_at_take_over(unit)
    for failure in records.failures:
        scribe.failure(failure)
    for unit in fleet.units:
        scribe.calls_in_vain(unit)
        scribe.whole_unit_trouble(unit)
    scribe.maintenance()
    records.entries = _with_references(records.entries)
    return records


class _Scribe:
    """Writer of entries; no two failures of one unit share mode, place and day."""

    def __init__(self, fleet: Fleet, records: Records, dice: Dice) -> None:
        self.fleet, self.records, self.dice = fleet, records, dice
        self.calls = 0
        self.taken: set[tuple[str, str, str, date]] = set()
        self.items: dict[str, list[Item]] = {}
        for item in fleet.items:
            self.items.setdefault(item.unit.code, []).append(item)
        self.hazards: dict[str, list[Hazard]] = {}
        for hazard in fleet.scenario.hazards:
            self.hazards.setdefault(hazard.component_type, []).append(hazard)

    def failure(self, failure: Failure) -> None:
        """Write one failure, and what came before and after it."""
        item, hazard, dice = failure.item, failure.hazard, self.dice
        first, last = next(span for span in item.watched(self.fleet.today) if span[0] < failure.on <= span[1])
        at_maintenance = (
            self._maintenance_after(failure, last) if dice.happens(hazard.found_on_maintenance) else None
        )
        wanted = at_maintenance or _visit_day(self._some_days_on(failure.on, most=16, last=last), last=last)
        where, found_on = self._free(item, hazard, wanted, first=first, last=last)
        self._finding(item.unit, hazard, found_on, where, called=at_maintenance != found_on)
        if dice.happens(hazard.wear_only / 2):
            self._wear(item, hazard, first=first, before=failure.on)
        if dice.happens(hazard.comes_back):
            self._again(item, hazard, where, found_on, last=last)

    def trouble_at_take_over(self, unit: PlannedUnit) -> None:
        """Write the faults on the day a unit was taken over, which are often the reason of the first call."""
        share = self.fleet.scenario.shares["trouble on the day of taking over"]
        if unit.observed_from == unit.installed_on or not self.dice.happens(share):
            return
        item = self.dice.one_of(
            [item for item in self.items[unit.code] if item.fitted_on == unit.installed_on]
        )
        hazard = self.dice.one_of(self.hazards[item.component_type])
        on = unit.observed_from
        where, _ = self._free(item, hazard, on, first=on - timedelta(days=1), last=on)
        self._finding(unit, hazard, on, where)
        self.records.at_take_over += 1

    def calls_in_vain(self, unit: PlannedUnit) -> None:
        """Write calls after which nothing could be found."""
        words = self.fleet.scenario.words
        for on in self._days_at_rate(unit, self.fleet.scenario.calls_in_vain):
            item = self.dice.one_of(self.items[unit.code])
            mode = self.dice.one_of(self.hazards[item.component_type]).mode
            note = f"{self.dice.one_of(words.complaints[mode])} {self.dice.one_of(words.nothing_found)}"
            self._write(unit, on, "call", note=note, ref=self._next_call())
            self.records.in_vain += 1

    def whole_unit_trouble(self, unit: PlannedUnit) -> None:
        """Write faults that nobody could assign to a part."""
        for on in sorted(set(self._days_at_rate(unit, self.fleet.scenario.whole_unit))):
            self._write(
                unit,
                on,
                "call",
                WHOLE_UNIT_MODE,
                failure=True,
                work="checked",
                note=self._complaint(WHOLE_UNIT_MODE),
                ref=self._next_call(),
            )
            self.records.of_no_part += 1

    def maintenance(self) -> None:
        """Write the maintenance done on every visit."""
        for unit in self.fleet.units:
            for went in maintenance_of(unit, self.fleet):
                work = "" if went.lubricated else WITHOUT_LUBRICATION
                self._write(unit, went.on, "care", work=work, usual=70)

    def _finding(
        self,
        unit: PlannedUnit,
        hazard: Hazard,
        on: date,
        where: str,
        *,
        called: bool = True,
        repeat: bool = False,
    ) -> None:
        """Write a failure that somebody called about, or that was found on a maintenance visit."""
        self.taken.add((unit.code, hazard.mode, where, on))
        self._write(
            unit,
            on,
            "call" if called else "care",
            hazard.mode,
            where,
            failure=True,
            repeat=repeat,
            work=hazard.work,
            note=self._complaint(hazard.mode) if called else "",
            ref=self._next_call() if called else "",
        )

    def _wear(self, item: Item, hazard: Hazard, *, first: date, before: date) -> None:
        """Write wear found on an earlier visit, before it became a failure."""
        on = _visit_day(before - timedelta(days=self.dice.whole(60, 500)), last=before)
        if not first < on < before:
            return
        where, on = self._free(item, hazard, on, first=first, last=before)
        self.taken.add((item.unit.code, hazard.mode, where, on))
        self._write(item.unit, on, "finding", hazard.mode, where, note="Worn, still works; watch it.")
        self.records.wear_only += 1

    def _again(self, item: Item, hazard: Hazard, where: str, found_on: date, *, last: date) -> None:
        """Write a repeat of the same fault."""
        on = _visit_day(found_on + timedelta(days=self.dice.whole(6, 60)), last=last)
        key = (item.unit.code, hazard.mode, where, on)
        if on <= found_on or key in self.taken or on in self._swap_days(item):
            return
        self._finding(item.unit, hazard, on, where, repeat=True)
        self.records.repeats += 1

    def _complaint(self, mode: str) -> str:
        return self.dice.one_of(self.fleet.scenario.words.complaints[mode])

    def _next_call(self) -> str:
        self.calls += 1
        return str(self.calls)

    def _write(
        self,
        unit: PlannedUnit,
        on: date,
        what: str,
        mode: str = "",
        where: str = "",
        *,
        failure: bool = False,
        repeat: bool = False,
        work: str = "",
        usual: int | None = None,
        note: str = "",
        ref: str = "",
    ) -> None:
        minutes = None
        if work or usual is not None:
            usual = self.fleet.scenario.minutes[mode] if usual is None else usual
            minutes = max(5, 5 * round(usual * self.dice.between(0.6, 1.7) / 5))
        self.records.entries.append(
            Entry(unit.code, on, what, mode, where, failure, repeat, work, minutes, note, ref)
        )

    def _some_days_on(self, day: date, *, most: int, last: date) -> date:
        return day + timedelta(days=self.dice.whole(0, min(most, (last - day).days)))

    def _maintenance_after(self, failure: Failure, last: date) -> date | None:
        """Maintenance visit on which a failure was found that nobody called about."""
        rounds = self.fleet.rounds.get(failure.item.unit.site.code, ())
        latest = min(last, failure.on + MAINTENANCE_WITHIN)
        return next((went.on for went in rounds if failure.on <= went.on <= latest), None)

    def _free(self, item: Item, hazard: Hazard, wanted: date, *, first: date, last: date) -> tuple[str, date]:
        """Place and day of the span, near the wanted day, that no other failure of this mode has."""
        closed = self._swap_days(item)
        after, before = range((last - wanted).days + 1), range(-1, (first - wanted).days, -1)
        for on in (wanted + timedelta(days=step) for step in chain(after, before)):
            for _ in range(3):
                where = self._place(item, hazard)
                free = (item.unit.code, hazard.mode, where, on) not in self.taken
                if free and on not in closed:
                    return where, on
        raise ValueError(
            f"Unit {item.unit.code} has more {hazard.mode} failures than days: lower that hazard."
        )

    def _place(self, item: Item, hazard: Hazard) -> str:
        unit = item.unit
        if hazard.place == "whole" or unit.panels is None:
            return ""
        changed = {swap.panel for swap in unit.swaps if swap.panel}
        panels = [item.panel] if item.panel else [n for n in range(1, unit.panels + 1) if n not in changed]
        panel = f"panel {self.dice.one_of(panels)}"
        return f"{panel} corner {self.dice.one_of(CORNERS)}" if hazard.place == "corner" else panel

    def _swap_days(self, item: Item) -> set[date]:
        """Days on which parts of this unit were replaced, when a finding could belong to either part."""
        return {swap.on for swap in item.unit.swaps}

    def _days_at_rate(self, unit: PlannedUnit, per_year: float) -> Iterator[date]:
        """Draw days of a unit's time at risk from a homogeneous Poisson process."""
        today = self.fleet.today
        for begins, ends in unit.periods():
            last = min(ends or today, unit.removed_on or today, today)
            span = (last - begins).days
            for _ in range(int(self.dice.generator.poisson(per_year * max(0, span) / DAYS_PER_YEAR))):
                yield _visit_day(begins + timedelta(days=self.dice.whole(1, span)), last=last)


def _visit_day(day: date, *, last: date) -> date:
    """Move a day of the weekend to the Monday after, but not beyond the last day."""
    return min(day + timedelta(days=(7 - day.weekday()) if day.weekday() > 4 else 0), last)


def _with_references(entries: Iterable[Entry]) -> list[Entry]:
    """Number the calls in the order of the days, and sort the entries by unit."""
    ordered = sorted(entries, key=lambda e: (e.on, e.unit, e.what, e.mode, e.where, e.ref))
    numbers: dict[str, str] = {}
    for entry in ordered:
        if entry.ref:
            numbers.setdefault(entry.ref, f"C{len(numbers) + 1:05d}")
    ordered.sort(key=lambda e: e.unit)
    return [replace(entry, ref=numbers.get(entry.ref, "")) for entry in ordered]
