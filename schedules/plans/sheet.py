"""Week sheet: for each day and technician the route in order, with driving and working minutes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from itertools import pairwise

from django.conf import settings

from schedules.models import DayWeather, MaintenanceTask, Visit, WorkTerms
from schedules.plans.positions import Atlas, Placed, home_of
from schedules.plans.problem import seconds_of
from schedules.routing.checker import Route, time_route
from schedules.routing.problem import MINUTE, Lunch, Problem, Shift, Stop
from schedules.routing.travel import drive_seconds
from schedules.visits.shifts import DayOf, Position, days_of, people_out
from servicedesk.accounts.models import User
from servicedesk.core.values.dates import clock_time, day_bounds


@dataclass(frozen=True)
class Leg:
    """One stop of a route: the drive there, and whether one can be there in time.

    ``late`` is by how many minutes one comes too late after the stop before; ``guessed`` what its place
    goes by where the site has no position of its own.
    """

    visit: Visit
    drive: int
    late: int
    guessed: str
    position: Position


@dataclass(frozen=True)
class DayRoute:
    """One person's route of a day. Minutes throughout."""

    day: DayOf
    home: Position
    legs: Sequence[Leg]
    driving: int = 0
    working: int = 0
    leaves: time | None = None
    back: time | None = None
    drive_home: int = 0
    overtime: int = 0
    no_lunch: bool = False

    @property
    def proposed(self) -> int:
        """Number of its visits that wait to be confirmed."""
        return sum(leg.visit.state == Visit.State.TENTATIVE for leg in self.legs)

    @property
    def dangers(self) -> list[tuple[Visit, MaintenanceTask]]:
        """Tasks that take a danger away, each with its visit; needs the tasks of the visits prefetched."""
        taken = [(leg.visit, entry.task) for leg in self.legs for entry in leg.visit.visit_tasks.all()]
        return [(visit, task) for visit, task in taken if task.makes_safe]

    @property
    def troubles(self) -> list[str]:
        """Problems of the route, in words."""
        problems = [
            f"{leg.late} min too short before {clock_time(leg.visit.local_start)}"
            for leg in self.legs
            if leg.late
        ]
        if self.day.begins is None:
            problems.append(f"{self.day.person.name} is {self.day.why_not} on this day")
        elif self.overtime:
            problems.append(f"back {self.overtime} min after the end of the day")
        if self.no_lunch:
            problems.append("no half hour for lunch between 11:00 and 14:00")
        return problems


@dataclass(frozen=True)
class SheetDay:
    """A day of the sheet: the routes, who has none, and visits without technicians."""

    date: date
    routes: Sequence[DayRoute]
    idle: Sequence[DayOf]
    unnamed: Sequence[Visit]
    warmest: object = None

    @property
    def is_empty(self) -> bool:
        """Whether nobody goes anywhere."""
        return not self.routes and not self.unnamed


@dataclass
class Sheet:
    """All routes of some days, timed as they stand."""

    first: date
    days: list[SheetDay] = field(default_factory=list)

    @property
    def routes(self) -> list[DayRoute]:
        """All routes, day by day."""
        return [each for day in self.days for each in day.routes]


def read_sheet(first: date, *, days: int = 7) -> Sheet:
    """Read the routes of a run of days, with the number of tasks of each visit."""
    visits = Visit.objects.for_week().between(*day_bounds(first, days=days))
    people = list(User.objects.technicians().prefetch_related("groups"))
    return _sheet(list(visits.exclude(state=Visit.State.CANCELLED)), people, first, days=days)


def _sheet(visits: Sequence[Visit], people: Sequence[User], first: date, *, days: int) -> Sheet:
    """Arrange visits into the routes of people, day by day."""
    going = {person.pk for visit in visits for person in visit.technicians.all()}
    terms = people_out(people)
    shown = [person for person in people if person.pk in terms or person.pk in going]
    atlas = Atlas()
    by_key: defaultdict[tuple[int, date], list[Visit]] = defaultdict(list)
    unnamed: defaultdict[date, list[Visit]] = defaultdict(list)
    for visit in visits:
        on = visit.local_start.date()
        if not visit.technicians.all():
            unnamed[on].append(visit)
        for person in visit.technicians.all():
            by_key[person.pk, on].append(visit)
    person_days = days_of(shown, first, days=days)
    warmest = dict(
        DayWeather.objects.filter(on__range=(first, first + timedelta(days=days - 1))).values_list(
            "on", "warmest_c"
        )
    )
    sheet = Sheet(first)
    for number in range(days):
        on = first + timedelta(days=number)
        mine = [day for day in person_days if day.on == on]
        sheet.days.append(
            SheetDay(
                date=on,
                routes=[
                    _route(day, by_key[day.key], terms.get(day.person.pk), atlas)
                    for day in mine
                    if by_key.get(day.key)
                ],
                idle=[day for day in mine if not by_key.get(day.key)],
                unnamed=unnamed[on],
                warmest=warmest.get(on),
            )
        )
    return sheet


def read_route(person: User, on: date) -> DayRoute | None:
    """Read one person's route of a day with the tasks of each visit; None where there is none."""
    visits = (
        Visit.objects.for_list()
        .prefetch_related("site__ownerships__customer")
        .between(*day_bounds(on, days=1))
        .of(person)
        .exclude(state=Visit.State.CANCELLED)
    )
    people = list(User.objects.technicians().filter(pk=person.pk).prefetch_related("groups"))
    sheet = _sheet(list(visits), people, on, days=1)
    return next((each for each in sheet.routes if each.day.person.pk == person.pk), None)


def _route(day: DayOf, visits: Sequence[Visit], terms: WorkTerms | None, atlas: Atlas) -> DayRoute:
    home = home_of(terms, atlas)
    placed = [atlas.place(visit.site) for visit in visits]
    monday = day.on
    stops = [
        Stop(
            key=visit.pk,
            place=number + 1,
            seconds=visit.minutes * MINUTE,
            at=seconds_of(monday, visit.starts_at),
        )
        for number, visit in enumerate(visits)
    ]
    begins, ends = (
        (moment.hour * 60 + moment.minute) * MINUTE if moment else fallback
        for moment, fallback in ((day.begins, stops[0].at or 0), (day.ends, 24 * 3600))
    )
    shift = Shift(key=0, person=0, home=0, begins=min(begins, stops[0].at or 0), ends=ends)
    timed = time_route(_problem(home, placed, stops, shift), shift, stops)
    legs = [
        Leg(
            visit=visit,
            drive=each.drive // MINUTE,
            late=0 if number == 0 else max(0, -(-(each.arrives - each.begins) // MINUTE)),
            guessed=where.guessed,
            position=where.position,
        )
        for number, (visit, each, where) in enumerate(zip(visits, timed.stops, placed, strict=True))
    ]
    first = timed.stops[0]
    return DayRoute(
        day=day,
        home=home,
        legs=legs,
        driving=timed.driving // MINUTE,
        working=timed.working // MINUTE,
        leaves=_clock(first.begins - first.drive),
        back=_clock(timed.back),
        drive_home=(timed.back - timed.stops[-1].ends) // MINUTE,
        overtime=max(0, timed.back - ends) // MINUTE if day.ends else 0,
        no_lunch=_has_no_lunch(shift, timed),
    )


def _problem(home: Position, placed: Sequence[Placed], stops: Sequence[Stop], shift: Shift) -> Problem:
    points = [home, *(each.position for each in placed)]
    latitudes, longitudes = zip(*points, strict=True)
    seconds = drive_seconds(latitudes, longitudes, detour=settings.DETOUR_FACTOR)
    return Problem(stops, [shift], -(-seconds // MINUTE) * MINUTE)


def _has_no_lunch(shift: Shift, timed: Route) -> bool:
    """Whether a day that runs over noon has no half hour for lunch while one is out.

    Who sets off late enough has eaten before, and who is back early enough eats then.
    """
    lunch, stops = Lunch(), timed.stops
    sets_off = stops[0].begins - stops[0].drive
    if sets_off >= lunch.earliest + lunch.seconds or timed.back <= lunch.latest:
        return False
    # One can eat before driving on, on arrival, and after the last stop where that is not too late for home.
    before_driving = [(one.ends, other.begins - other.drive) for one, other in pairwise(stops)]
    on_arrival = [(one.ends + other.drive, other.begins) for one, other in pairwise(stops)]
    after_all = (stops[-1].ends, shift.ends - (timed.back - stops[-1].ends))
    return not any(
        max(start, lunch.earliest) + lunch.seconds <= end and max(start, lunch.earliest) <= lunch.latest
        for start, end in [*before_driving, *on_arrival, after_all]
    )


def _clock(seconds: int) -> time:
    minutes = max(0, seconds) % 86_400 // MINUTE
    return time(*divmod(minutes, 60))
