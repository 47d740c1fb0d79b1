"""The technician's day: each stop with what to know before ringing the bell, and what to have aboard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.utils import timezone

from schedules.models import DayWeather, Visit
from servicedesk.calls.forms.findings import modes_for
from servicedesk.calls.models import Call, Finding, Work
from servicedesk.people.models import User
from servicedesk.reports.lifetimes.likely import smallest_load
from servicedesk.reports.likely_modes import LikelyMode, likely_modes
from units.cautions import Caution, cautions_for, heat_caution
from units.models import Site, Unit

FIRST_VISIT = 0.8
"""The chance with which a repair should be finished at the first visit."""

SHOWN = 3
WORTH_SAYING = 0.05
"""Below this chance a fault is neither named nor provided for."""


@dataclass(frozen=True)
class Happened:
    """Something that happened at a site."""

    on: date
    words: str


@dataclass(frozen=True)
class Stop:
    """One stop of the day."""

    visit: Visit
    calls: Sequence[Call]
    units: Sequence[Unit]
    cautions: Sequence[Caution]
    happened: Sequence[Happened]
    likely: Sequence[LikelyMode]


@dataclass(frozen=True)
class Day:
    """All stops of a day, the next one among them, and the parts to have aboard."""

    date: date
    stops: Sequence[Stop]
    parts: Sequence[str]
    heat: Caution | None = None

    @property
    def next_stop(self) -> Stop | None:
        """The first stop that is not finished."""
        return next((stop for stop in self.stops if stop.visit.finished_at is None), None)


def read_day(person: User, day: date) -> Day:
    """Read somebody's stops of a day in order."""
    start = timezone.make_aware(datetime.combine(day, time.min))
    visits = (
        Visit.objects.of(person)
        .exclude(state="cancelled")
        .between(start, start + timedelta(days=1))
        .for_list()
    )
    stops = [read_stop(visit) for visit in visits]
    weather = DayWeather.objects.filter(on=day, heat_index_f__isnull=False).first()
    heat = heat_caution(float(weather.heat_index_f)) if weather and weather.heat_index_f else None
    return Day(day, stops, _parts(stops), heat)


def read_stop(visit: Visit) -> Stop:
    """Read what to know about one visit."""
    tasks = [entry.task for entry in visit.visit_tasks.all()]
    calls = list(Call.objects.filter(task__in=tasks).select_related("unit__construction"))
    units = list(
        visit.site.units.in_place()
        .select_related("construction", "site")
        .prefetch_related("fitments__component_type")
    )
    likely: list[LikelyMode] = []
    for call in calls:
        unit = call.unit or (units[0] if len(units) == 1 else None)
        if unit is not None:
            first = likely_modes(unit, modes_for(unit), symptom=call.symptom).modes[:SHOWN]
            likely.extend(each for each in first if each.chance >= WORTH_SAYING)
    return Stop(visit, calls, units, _cautions(units), _happened(visit.site), likely)


def _cautions(units: Sequence[Unit]) -> list[Caution]:
    """Gather the cautions of all units, each once."""
    found: dict[str, Caution] = {}
    for unit in units:
        parts = [part for part in unit.fitments.all() if part.removed_on is None]
        names = [str(part.component_type) for part in parts]
        for caution in cautions_for(unit, kinds={part.kind for part in parts}, type_names=names):
            found.setdefault(caution.name, caution)
    return list(found.values())


def _happened(site: Site) -> list[Happened]:
    """List the last things that happened at a site."""
    findings = (
        Finding.objects.filter(unit__site=site).select_related("unit", "mode").order_by("-found_on", "-pk")
    )
    works = Work.objects.filter(unit__site=site).select_related("unit").order_by("-done_on", "-pk")
    rows = [Happened(each.found_on, f"{each.unit.code}: {each.mode.name}") for each in findings[:SHOWN]]
    rows += [Happened(each.done_on, f"{each.unit.code}: {each.get_kind_display()}") for each in works[:SHOWN]]
    return sorted(rows, key=lambda each: each.on, reverse=True)[:SHOWN]


def _parts(stops: Sequence[Stop]) -> list[str]:
    """Say which parts to have aboard so that each repair can be finished at once with a good chance."""
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
