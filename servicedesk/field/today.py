"""Technician's day: each stop with what to know before it, and the parts to carry."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from schedules.models import DayWeather, MaintenanceTask, Visit
from servicedesk.accounts.models import User
from servicedesk.calls.forms.findings import modes_for
from servicedesk.calls.models import Call, Finding, Work
from servicedesk.core.values.dates import start_of
from servicedesk.reports.likely_modes import LikelyMode, likely_modes, read_records
from servicedesk.reports.numerics.prediction.likely import smallest_load
from units.cautions import Caution, cautions_for, heat_caution
from units.models import Customer, FailureMode, Ownership, Unit

FIRST_VISIT = 0.8
"""Probability with which a repair should be finished at the first visit."""

SHOWN = 3
WORTH_SAYING = 0.05
"""Probability below which a fault is neither named nor provided for."""


@dataclass(frozen=True)
class Happened:
    """Event at a site."""

    on: date
    words: str


@dataclass(frozen=True)
class AtUnit:
    """Unit of a stop: its tasks, and what was reported of it."""

    unit: Unit
    tasks: Sequence[MaintenanceTask]
    calls: Sequence[Call]


@dataclass(frozen=True)
class Stop:
    """Stop of the day."""

    visit: Visit
    customer: Customer | None
    calls: Sequence[Call]
    units: Sequence[Unit]
    dangers: Sequence[str]
    cautions: Sequence[Caution]
    happened: Sequence[Happened]
    likely: Sequence[LikelyMode]

    @property
    def tasks(self) -> list[MaintenanceTask]:
        """Tasks in the order in which they were put on the visit."""
        return [entry.task for entry in self.visit.visit_tasks.all()]

    @property
    def at_units(self) -> list[AtUnit]:
        """Units with their tasks and reports, those with something first."""
        rows = [
            AtUnit(
                unit,
                [task for task in self.tasks if task.unit_id == unit.pk],
                [call for call in self.calls if call.unit_id == unit.pk],
            )
            for unit in self.units
        ]
        return sorted(rows, key=lambda each: not (each.tasks or each.calls))

    @property
    def tasks_elsewhere(self) -> list[MaintenanceTask]:
        """Tasks at no unit of the site that is in place: the unit is not known yet, or was removed."""
        here = {unit.pk for unit in self.units}
        return [task for task in self.tasks if task.unit_id not in here]


@dataclass(frozen=True)
class Day:
    """Stops of a day, the next one among them, and the parts to carry."""

    date: date
    stops: Sequence[Stop]
    parts: Sequence[str]
    heat: Caution | None = None

    @property
    def next_stop(self) -> Stop | None:
        """First stop that is not finished."""
        return next((stop for stop in self.stops if stop.visit.finished_at is None), None)


def read_day(person: User, day: date) -> Day:
    """A technician's stops of a day in order."""
    start = start_of(day)
    visits = (
        Visit.objects.of(person)
        .exclude(state="cancelled")
        .between(start, start + timedelta(days=1))
        .for_list()
    )
    stops = _read_stops(list(visits))
    weather = DayWeather.objects.filter(on=day, heat_index_f__isnull=False).first()
    heat = heat_caution(float(weather.heat_index_f)) if weather and weather.heat_index_f else None
    return Day(day, stops, _parts(stops), heat)


def read_stop(visit: Visit) -> Stop:
    """Stop of one visit."""
    return _read_stops([visit])[0]


def _read_stops(visits: Sequence[Visit]) -> list[Stop]:
    """Stops of some visits, with a fixed number of queries."""
    sites = {visit.site_id for visit in visits}
    calls = _calls_by_task([entry.task_id for visit in visits for entry in visit.visit_tasks.all()])
    units: defaultdict[int, list[Unit]] = defaultdict(list)
    for unit in Unit.objects.in_place().filter(site__in=sites).for_stop().order_by("pk"):
        units[unit.site_id].append(unit)
    happened = _happened(sites)
    customers = _customers(sites)
    made_safe = _made_safe(sites)
    predicted = _Predicted() if calls else None
    stops = []
    for visit in visits:
        mine = [call for entry in visit.visit_tasks.all() for call in calls[entry.task_id]]
        here = units[visit.site_id]
        likely = [each for call in mine if predicted for each in predicted.of(call, here)]
        stops.append(
            Stop(
                visit,
                customers.get(visit.site_id),
                mine,
                here,
                [words for call in mine for words in _dangers_of(call)] + made_safe[visit.site_id],
                _cautions(here),
                happened[visit.site_id],
                likely,
            )
        )
    return stops


def _calls_by_task(tasks: Sequence[int]) -> defaultdict[int, list[Call]]:
    """Calls behind some tasks, with the makes of their units."""
    calls = Call.objects.filter(task__in=tasks).select_related("unit__construction")
    by_task: defaultdict[int, list[Call]] = defaultdict(list)
    calls = calls.prefetch_related(
        "unit__installed_parts", "unit__construction__expected_modes", "safety_answers"
    )
    for call in calls.order_by("pk"):
        if call.task_id is not None:
            by_task[call.task_id].append(call)
    return by_task


def _customers(sites: Collection[int]) -> dict[int, Customer]:
    """Present owners of some sites."""
    now = Ownership.objects.current().filter(site__in=sites).select_related("customer")
    return {ownership.site_id: ownership.customer for ownership in now}


def _dangers_of(call: Call) -> list[str]:
    """Dangers that a caller reported and that nobody has made safe."""
    where = f" (unit {call.unit})" if call.unit else ""
    return [
        f"{answer.get_question_display()} Yes{where}."
        for answer in call.safety_answers.all()
        if answer.answer == answer.Answer.YES and answer.is_open
    ]


def _made_safe(sites: Collection[int]) -> defaultdict[int, list[str]]:
    """Dangers at some sites that are only made safe for now."""
    rows: defaultdict[int, list[str]] = defaultdict(list)
    standing = Finding.objects.standing_dangers().filter(unit__site__in=sites)
    for finding in standing.select_related("unit", "mode").order_by("-found_on", "-pk"):
        words = f"Safe for now, not repaired: {finding.mode.full_name} at unit {finding.unit}."
        rows[finding.unit.site_id].append(f"{words} {finding.made_safe_how}")
    return rows


class _Predicted:
    """Predicted faults of calls, from findings and modes that are read once for all of them."""

    def __init__(self) -> None:
        self.records = read_records()
        self.offered = list(FailureMode.objects.offered())

    def of(self, call: Call, units: Sequence[Unit]) -> list[LikelyMode]:
        """Faults worth naming for a call; none where it could be about several units."""
        unit = call.unit or (units[0] if len(units) == 1 else None)
        if unit is None:
            return []
        modes = modes_for(unit, offered=self.offered)
        first = likely_modes(unit, modes, symptom=call.symptom, records=self.records).modes[:SHOWN]
        return [each for each in first if each.chance >= WORTH_SAYING]


def _cautions(units: Sequence[Unit]) -> list[Caution]:
    """Cautions of all units, each once."""
    cautions: dict[str, Caution] = {}
    for unit in units:
        parts = [part for part in unit.installed_parts.all() if part.removed_on is None]
        names = [str(part.component_type) for part in parts]
        for caution in cautions_for(unit, kinds={part.kind for part in parts}, type_names=names):
            cautions.setdefault(caution.name, caution)
    return list(cautions.values())


def _happened(sites: Collection[int]) -> defaultdict[int, list[Happened]]:
    """Last events at each of some sites."""
    by_site: defaultdict[int, list[Happened]] = defaultdict(list)
    for finding in Finding.objects.last_at_sites(sites, most=SHOWN).select_related("unit", "mode"):
        words = f"{finding.unit.code}: {finding.mode.name}"
        by_site[finding.unit.site_id].append(Happened(finding.found_on, words))
    for work in Work.objects.last_at_sites(sites, most=SHOWN).select_related("unit"):
        words = f"{work.unit.code}: {work.get_kind_display()}"
        by_site[work.unit.site_id].append(Happened(work.done_on, words))
    for site, rows in by_site.items():
        by_site[site] = sorted(rows, key=lambda each: each.on, reverse=True)[:SHOWN]
    return by_site


def _parts(stops: Sequence[Stop]) -> list[str]:
    """Parts to carry so that each repair can be finished at once with a given probability."""
    names: dict[str, int] = {}
    wanted = []
    for stop in stops:
        options = []
        for likely in stop.likely:
            spares = [name.strip() for name in likely.mode.spares.split(",") if name.strip()]
            needed = frozenset(names.setdefault(name, len(names)) for name in spares)
            if needed:
                options.append((needed, likely.chance))
        if options:
            wanted.append(options)
    words = list(names)
    return sorted(words[place] for place in smallest_load(wanted, level=FIRST_VISIT))
