"""Options for moving one visit by hand: its feasible insertions into the week's routes, with their cost."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.conf import settings

from schedules.models import Visit
from schedules.plans.positions import Atlas, home_of
from schedules.plans.problem import Week, agreed_windows, first_free, seconds_of, shift_of
from schedules.plans.weeks import monday_of
from schedules.routing.checker import Insertion, insertions
from schedules.routing.problem import DAY, MINUTE, Problem, Shift, Stop
from schedules.routing.travel import drive_seconds
from schedules.visits.shifts import DayOf, Position, days_of, people_out
from schedules.visits.site_work import STEP
from servicedesk.accounts.models import User
from servicedesk.core.values.dates import day_bounds
from units.models import FailureMode

ShiftKey = tuple[int, date]
NEVER = (-1, -1)
"""A window no moment lies in."""


@dataclass(frozen=True)
class Option:
    """One place in the routes that a visit could move to.

    ``added`` is how many minutes of driving the week gets more (or less) by it, ``others`` how many proposed
    visits of that route begin at another time then.
    """

    day: DayOf
    place: int
    begins: datetime
    added: int
    others: int
    is_now: bool

    @property
    def token(self) -> str:
        """The value that a form sends for this option."""
        return f"{self.day.person.pk}/{self.day.on}/{self.place}"


@dataclass(frozen=True)
class Moves:
    """The routes of a week without the one visit that is to be moved.

    ``begins`` says when each of the other visits begins as the routes stand now.
    """

    week: Week
    shifts: dict[ShiftKey, Shift]
    orders: dict[ShiftKey, list[Stop]]
    begins: dict[int, int]
    days: dict[ShiftKey, DayOf]
    stop: Stop
    now_at: ShiftKey | None

    def insertions(self, key: ShiftKey) -> list[Insertion]:
        """List the feasible insertions of the visit into a route."""
        candidates = insertions(self.week.problem, self.shifts[key], self.orders[key], self.stop)
        return [each for each in candidates if not each.round.short]


def read_moves(visit: Visit, *, now: datetime, monday: date | None = None) -> Moves:
    """Read the routes of a visit's week, or of another one, without the visit itself."""
    return _Reader(visit, now, monday or monday_of(visit.local_start.date())).read()


@dataclass
class _Reader:
    visit: Visit
    now: datetime
    monday: date
    atlas: Atlas = field(default_factory=Atlas)
    points: dict[Position, int] = field(default_factory=dict)

    def read(self) -> Moves:
        days, shifts = self._shifts()
        others, now_at = self._others()
        orders: dict[ShiftKey, list[Stop]] = {key: [] for key in shifts}
        for key, stop in others:
            if key in orders:
                orders[key].append(stop[0])
        moved = self._moved()
        latitudes, longitudes = zip(*self.points, strict=True)
        seconds = drive_seconds(latitudes, longitudes, detour=settings.DETOUR_FACTOR)
        problem = Problem([], list(shifts.values()), -(-seconds // STEP) * STEP)
        week = Week(self.monday, problem, {}, {}, frozenset())
        begins = {int(str(stop.key)): moment for _, (stop, moment) in others}
        return Moves(week, shifts, orders, begins, days, moved, now_at)

    def _shifts(self) -> tuple[dict[ShiftKey, DayOf], dict[ShiftKey, Shift]]:
        people = list(User.objects.technicians().prefetch_related("groups"))
        terms = people_out(people)
        days = {day.key: day for day in days_of([p for p in people if p.pk in terms], self.monday)}
        shifts: dict[ShiftKey, Shift] = {}
        for key, day in days.items():
            home = self._point(home_of(terms[day.person.pk], self.atlas))
            # From the beginning of the day: the visits before now are still on its route.
            if shift := shift_of(day, terms[day.person.pk], home, monday=self.monday, not_before=0):
                shifts[key] = shift
        return days, shifts

    def _others(self) -> tuple[list[tuple[ShiftKey, tuple[Stop, int]]], ShiftKey | None]:
        """Other visits of the week in order, with when each begins, and the shift this one is on."""
        visits = Visit.objects.open().between(*day_bounds(self.monday, days=7)).for_list()
        others, now_at = [], None
        for each in visits.exclude(technicians=None).distinct():
            begins = seconds_of(self.monday, each.starts_at)
            on = self.monday + timedelta(days=begins // DAY)
            stop = _stop(each, self._point(self.atlas.place(each.site).position), begins)
            for person in each.technicians.all():
                if each.pk == self.visit.pk:
                    now_at = (person.pk, on)
                else:
                    others.append(((person.pk, on), (stop, begins)))
        return others, now_at

    def _moved(self) -> Stop:
        """Stop of the visit that is to be moved."""
        visit, earliest = self.visit, first_free(self.monday, self.now)
        agreed = agreed_windows(self.monday, [visit.site_id])
        windows = agreed.get(visit.site_id, [(earliest, 7 * DAY)])
        levels = [entry.task.level for entry in visit.visit_tasks.select_related("task")]
        return Stop(
            key=visit.pk,
            place=self._point(self.atlas.place(visit.site).position),
            seconds=visit.minutes * MINUTE,
            windows=tuple((max(a, earliest), b) for a, b in windows if b >= earliest) or (NEVER,),
            level=max([FailureMode.Skill.HELPER, *levels]),
        )

    def _point(self, position: Position) -> int:
        return self.points.setdefault(position, len(self.points))


def _stop(visit: Visit, place: int, begins: int) -> Stop:
    """Stop of another visit: fixed, or free to shift when the route before it changes."""
    loose = visit.may_be_replanned and len(visit.technicians.all()) == 1
    seconds = visit.minutes * MINUTE
    return Stop(key=visit.pk, place=place, seconds=seconds, at=None if loose else begins)


def list_options(moves: Moves) -> list[Option]:
    """List the places a visit could move to, by day, person and time."""
    saved = 0
    if moves.now_at is not None and moves.now_at in moves.shifts:
        saved = min((each.added for each in moves.insertions(moves.now_at)), default=0)
    options = []
    for key, day in moves.days.items():
        for each in moves.insertions(key) if key in moves.shifts else ():
            timed = each.round.stops[each.place]
            others = sum(
                moves.begins.get(int(str(stop.stop.key)), stop.begins) != stop.begins
                for stop in each.round.stops
            )
            options.append(
                Option(
                    day=day,
                    place=each.place,
                    begins=moves.week.moment(timed.begins),
                    added=(each.added - saved) // MINUTE,
                    others=others,
                    is_now=key == moves.now_at,
                )
            )
    return sorted(options, key=lambda option: (option.day.on, option.day.person.name, option.begins))


def chosen(moves: Moves, token: str) -> tuple[DayOf, Insertion] | None:
    """Day and insertion that a form's token names; None where it is not available any more."""
    person, _, rest = token.partition("/")
    on, _, place = rest.partition("/")
    try:
        key = (int(person), date.fromisoformat(on))
    except ValueError:
        return None
    if key not in moves.shifts:
        return None
    insertion = next((each for each in moves.insertions(key) if str(each.place) == place), None)
    return None if insertion is None else (moves.days[key], insertion)
