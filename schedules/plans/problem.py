"""Vehicle routing problem of a week: due work, shifts, agreed times, and durations.

Times lie on the wall clock of the company's zone, counted from Monday's midnight in steps of five minutes; so
a night in which clocks change shifts nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.db.models import Q
from django.utils import timezone

from schedules.local_times import wall_time
from schedules.models import (
    AgreedTime,
    DayWeather,
    MaintenanceTask,
    NextDue,
    ServiceTime,
    Visit,
    WorkTerms,
)
from schedules.plans.positions import Atlas, home_of
from schedules.routing.problem import DAY, MINUTE, Lunch, Problem, Shift, Stop, Window
from schedules.routing.travel import drive_seconds
from schedules.visits.shifts import DayOf, days_of, people_out, week_ahead
from schedules.visits.site_work import SHORTEST_STOP, STEP, SiteWork, cut_into_goes
from servicedesk.accounts.models import User
from servicedesk.core.values.dates import clock_time, day_bounds
from units.models import FailureMode, Site
from units.temperatures import format_temperature, unit_beside

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

BEFORE_THAT_WEEK = "it must be made safe before that week: plan a visit for it now"
LUNCH = Lunch()
MOST_STOPS = 400
NOTICE = timedelta(minutes=30)
URGENT = 2
URGENCY = 0.15
PRIZE_HOURS = {1: 60, 2: 40, 3: 12, 4: 8, 5: 5, 6: 4, 7: 3, 8: 2, 9: 1}
NOBODY_ELSE = 0
"""The level of a shift that exists for agreed visits only: no task needs so little."""


@dataclass(frozen=True)
class Week:
    """A week as it was read: the problem, and what its keys stand for.

    ``aside`` is work that is left out of the problem, with the reason.
    """

    monday: date
    problem: Problem
    work: Mapping[Hashable, SiteWork]
    days: Mapping[Hashable, DayOf]
    guessed: frozenset[int]
    aside: Sequence[tuple[SiteWork, str]] = ()

    def moment(self, seconds: int) -> datetime:
        """Convert seconds since the week began, on the wall clock, to a moment."""
        wall = datetime.combine(self.monday, time.min) + timedelta(seconds=seconds)
        return timezone.make_aware(wall)


def seconds_of(monday: date, moment: datetime) -> int:
    """Convert a moment to seconds since the week began, on the wall clock."""
    wall = wall_time(moment, zone=settings.TIME_ZONE)
    return int((wall - datetime.combine(monday, time.min)).total_seconds())


def first_free(monday: date, now: datetime) -> int:
    """First second of a week at which something can still be planned."""
    return -(-seconds_of(monday, now + NOTICE) // STEP) * STEP


def axis(monday: date, day: date, moment: time) -> int:
    """Convert a day and a time to seconds since the week began, on the wall clock."""
    return (day - monday).days * DAY + (moment.hour * 60 + moment.minute) * MINUTE


def shift_of(day: DayOf, terms: WorkTerms, home: int, *, monday: date, not_before: int) -> Shift | None:
    """Shift of a person's day; None where they do not work or too little of the day is left."""
    if day.begins is None or day.ends is None:
        return None
    begins, ends = max(axis(monday, day.on, day.begins), not_before), axis(monday, day.on, day.ends)
    if ends - begins < SHORTEST_STOP * MINUTE:
        return None
    return Shift(
        key=day.key,
        person=day.person.pk,
        home=home,
        begins=begins,
        ends=ends,
        level=terms.level,
        lunch=begins % DAY < LUNCH.earliest and ends % DAY > LUNCH.latest,
    )


def agreed_windows(monday: date, sites: Collection[int]) -> dict[int, list[Window]]:
    """Agreed time windows of a week, by site."""
    week = (monday, monday + timedelta(days=6))
    windows: defaultdict[int, list[Window]] = defaultdict(list)
    for row in AgreedTime.objects.filter(site__in=sites, on__range=week):
        windows[row.site_id].append((axis(monday, row.on, row.earliest), axis(monday, row.on, row.latest)))
    return dict(windows)


def proposals_of(monday: date, *, now: datetime) -> list[Visit]:
    """List the visits of a week that planning it again may move."""
    visits = (
        Visit.objects.open()
        .between(*day_bounds(monday, days=7))
        .filter(starts_at__gt=now, state=Visit.State.TENTATIVE, planned_by__isnull=False, fixed=False)
    )
    return list(visits.select_related("site").prefetch_related("technicians", "visit_tasks").order_by("pk"))


def read_week(monday: date, *, now: datetime, horizon: timedelta) -> Week:
    """Read the due work, shifts and fixed visits of a week into a problem."""
    return _Reader(monday, now=now, horizon=horizon).read()


@dataclass
class _Reader:
    monday: date
    now: datetime
    horizon: timedelta
    atlas: Atlas = field(default_factory=Atlas)
    points: dict[tuple[float, float], int] = field(default_factory=dict)
    guessed: set[int] = field(default_factory=set)

    def read(self) -> Week:
        sunday = self.monday + timedelta(days=6)
        shifts, days = self._shifts()
        fixed = self._fixed()
        shifts = self._with_agreed(shifts, fixed)
        work, aside = self._work(sunday, {visit.site_id: visit for visit in fixed})
        by_stop: dict[Hashable, SiteWork] = {
            ("visit", visit.pk): SiteWork(visit.site, (), visit=visit) for visit in fixed
        }
        stops = [self._fixed_stop(visit, shifts) for visit in fixed]
        cold = self._cold_days()
        windows = agreed_windows(self.monday, {each.site.pk for each in work.values()})
        for key, each in work.items():
            open_days = windows.get(each.site.pk)
            stop, left = self._stop(key, each, open_days, cold)
            aside.extend(left)
            if stop is not None:
                by_stop[key] = each
                stops.append(stop)
        stops, by_stop = self._greatest_prize(stops, by_stop, aside)
        problem = Problem(stops, list(shifts.values()), self._travel())
        return Week(self.monday, problem, by_stop, days, frozenset(self.guessed), aside)

    # --- who ------------------------------------------------------------------------------------------
    def _shifts(self) -> tuple[dict[Hashable, Shift], dict[Hashable, DayOf]]:
        people = list(User.objects.technicians())
        terms = people_out(people)
        days = days_of([person for person in people if person.pk in terms], self.monday)
        known: dict[Hashable, DayOf] = {day.key: day for day in days}
        not_before = first_free(self.monday, self.now)
        shifts: dict[Hashable, Shift] = {}
        for day in days:
            home = self._point(home_of(terms[day.person.pk], self.atlas))
            if shift := shift_of(day, terms[day.person.pk], home, monday=self.monday, not_before=not_before):
                shifts[day.key] = shift
        return shifts, known

    def _fixed(self) -> list[Visit]:
        visits = Visit.objects.open().between(*day_bounds(self.monday, days=7)).filter(ends_at__gt=self.now)
        rows = visits.select_related("site").prefetch_related("technicians").order_by("starts_at", "pk")
        return [visit for visit in rows if not visit.may_be_replanned and visit.technicians.all()]

    def _with_agreed(self, shifts: dict[Hashable, Shift], fixed: Sequence[Visit]) -> dict[Hashable, Shift]:
        """Extend shifts for agreed visits: a day off gets a shift for them alone, a short day grows."""
        for visit in fixed:
            begins, ends = (seconds_of(self.monday, at) for at in (visit.starts_at, visit.ends_at))
            place = self._place(visit.site)
            for person in visit.technicians.all():
                key = (person.pk, self._date(begins))
                if key not in shifts:
                    shifts[key] = Shift(
                        key=key, person=person.pk, home=place, begins=begins, ends=ends, level=NOBODY_ELSE
                    )
                shift = shifts[key]
                shifts[key] = replace(shift, begins=min(shift.begins, begins), ends=max(shift.ends, ends))
        return shifts

    def _fixed_stop(self, visit: Visit, shifts: Mapping[Hashable, Shift]) -> Stop:
        begins, ends = (seconds_of(self.monday, at) for at in (visit.starts_at, visit.ends_at))
        people = [person.pk for person in visit.technicians.all()]
        return Stop(
            key=("visit", visit.pk),
            place=self._place(visit.site),
            seconds=ends - begins,
            at=begins,
            only=frozenset((person, self._date(begins)) for person in people),
            persons=len(people),
        )

    # --- what -----------------------------------------------------------------------------------------
    def _work(
        self, sunday: date, fixed: Mapping[int, Visit]
    ) -> tuple[dict[Hashable, SiteWork], list[tuple[SiteWork, str]]]:
        proposed = [visit.pk for visit in proposals_of(self.monday, now=self.now)]
        until = sunday + self.horizon
        free = Q(state=MaintenanceTask.State.NEEDS_ACTION) | Q(visit_tasks__visit__in=proposed)
        waits = Q(waiting_until__isnull=True) | Q(waiting_until__lte=sunday)
        tasks = (
            MaintenanceTask.objects.open()
            .filter(free, waits, due_on__lte=until)
            .select_related("site", "next_due__rule")
            .order_by("site_id", "priority", "due_on", "pk")
            .distinct()
        )
        by_site: defaultdict[Site, list[MaintenanceTask]] = defaultdict(list)
        for task in tasks:
            by_site[task.site].append(task)
        aside: list[tuple[SiteWork, str]] = []
        if self.monday > week_ahead(timezone.localdate(self.now)):
            aside += self._set_dangers_aside(by_site)
        due = {site: group for site, group in by_site.items() if any(t.due_on <= sunday for t in group)}
        coming: defaultdict[int, list[NextDue]] = defaultdict(list)
        for row in self._coming(due, until):
            coming[row.installed_part.unit.site_id].append(row)
        factors = dict(ServiceTime.objects.values_list("work", "factor"))
        work: dict[Hashable, SiteWork] = {}
        for site, site_tasks in due.items():
            visit = fixed.get(site.pk)
            parts = list(cut_into_goes(site, site_tasks, coming[site.pk], factors, alone=visit is not None))
            if visit is not None:
                when = visit.local_start
                why = f"a visit there is fixed for {when:%A} at {clock_time(when)}: add it to that visit"
                aside.extend((part, why) for part in parts if not part.makes_safe)
                parts = [part for part in parts if part.makes_safe]  # a danger does not wait for it
            work |= {("site", site.pk, number): part for number, part in enumerate(parts)}
        return work, aside

    @staticmethod
    def _set_dangers_aside(by_site: dict[Site, list[MaintenanceTask]]) -> Iterable[tuple[SiteWork, str]]:
        """Take dangers out of the work of a week that comes too late for them, and yield them."""
        for site, tasks in by_site.items():
            dangers = [task for task in tasks if task.makes_safe]
            tasks[:] = [task for task in tasks if not task.makes_safe]
            if dangers:
                minutes = sum(task.minutes for task in dangers)
                yield SiteWork(site, tuple(dangers), minutes=minutes), BEFORE_THAT_WEEK

    def _coming(self, sites: Iterable[Site], until: date) -> list[NextDue]:
        return list(
            NextDue.objects.ours()
            .without_task()
            .filter(installed_part__unit__site__in=[site.pk for site in sites], next_due_on__lte=until)
            .select_related("rule", "installed_part__unit")
            .order_by("next_due_on", "pk")
        )

    def _cold_days(self) -> dict[date, Any]:
        week = (self.monday, self.monday + timedelta(days=6))
        known = DayWeather.objects.filter(on__range=week, warmest_c__isnull=False)
        return dict(known.values_list("on", "warmest_c"))

    def _stop(
        self, key: Hashable, work: SiteWork, agreed: list[Window] | None, warmest: Mapping[date, Any]
    ) -> tuple[Stop | None, list[tuple[SiteWork, str]]]:
        """Stop of the work at a site; None where no day of the week will do, with the reason."""
        dates = [self.monday + timedelta(days=number) for number in range(7)]
        limits = [task.next_due.rule.not_below_c for task in work.tasks if task.next_due is not None]
        limits += [due.rule.not_below_c for due in work.coming]
        coldest = max((limit for limit in limits if limit is not None), default=None)
        warm = [day for day in dates if coldest is None or warmest.get(day, coldest) >= coldest]
        waits = max((task.waiting_until for task in work.tasks if task.waiting_until), default=self.monday)
        allowed = {day for day in warm if day >= waits}
        if not allowed:
            least = format_temperature(coldest or Decimal(0), unit=unit_beside(settings.LENGTH_UNIT))
            return None, [(work, f"no day of the week reaches {least}, which vinyl work needs")]
        windows = agreed or []
        if len(allowed) < 7:
            windows = [
                window
                for window in agreed or [(self._at(day, time.min), self._at(day, time.max)) for day in dates]
                if self._date(window[0]) in allowed
            ]
            if not windows:
                return None, [(work, "no access time is on a possible day")]
        levels = [task.level for task in work.tasks] + [due.rule.level for due in work.coming]
        persons = [task.persons for task in work.tasks] + [due.rule.persons for due in work.coming]
        return Stop(
            key=key,
            place=self._place(work.site),
            seconds=work.minutes * MINUTE,
            prize=self._prize(work),
            windows=tuple(sorted(windows)),
            level=max([FailureMode.Skill.HELPER, *levels]),
            persons=max([1, *persons]),
            urgency=URGENCY if work.priority <= URGENT else 0.0,
            soonest=work.makes_safe,
        ), []

    def _prize(self, work: SiteWork) -> int:
        """Prize of the work in seconds of driving: higher the more urgent, and the longer overdue."""
        first = min((task.due_on for task in work.tasks), default=self.monday)
        weeks_late = max(0, (self.monday - first).days) / 7
        return round(PRIZE_HOURS[work.priority] * 3600 * (1 + min(weeks_late, 26) / 8))

    def _greatest_prize(
        self,
        stops: list[Stop],
        by_stop: dict[Hashable, SiteWork],
        aside: list[tuple[SiteWork, str]],
    ) -> tuple[list[Stop], dict[Hashable, SiteWork]]:
        """Keep the fixed stops and the `MOST_STOPS` of the greatest prize; set the rest aside."""
        loose = sorted((stop for stop in stops if stop.at is None), key=lambda stop: -stop.prize)
        dropped = {stop.key for stop in loose[MOST_STOPS:]}
        aside.extend(
            (by_stop.pop(key), "more urgent work fills the week") for key in sorted(dropped, key=str)
        )
        return [stop for stop in stops if stop.key not in dropped], by_stop

    # --- where and when -------------------------------------------------------------------------------
    def _place(self, site: Site) -> int:
        placed = self.atlas.place(site)
        if placed.guessed:
            self.guessed.add(site.pk)
        return self._point(placed.position)

    def _point(self, position: tuple[float, float]) -> int:
        return self.points.setdefault(position, len(self.points))

    def _travel(self) -> NDArray[np.int64]:
        points = list(self.points) or [self.atlas.middle]
        latitudes, longitudes = zip(*points, strict=True)
        seconds = drive_seconds(latitudes, longitudes, detour=settings.DETOUR_FACTOR)
        return -(-seconds // STEP) * STEP

    def _at(self, day: date, moment: time) -> int:
        return axis(self.monday, day, moment)

    def _date(self, seconds: int) -> date:
        return self.monday + timedelta(days=seconds // DAY)
