"""Operations of week planning: request a plan, solve it, and write the routes into visits."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from celery import current_app
from django.conf import settings
from django.utils import timezone

from schedules.models import MaintenanceTask, UnassignedWork, Visit, VisitTask, WeekPlan
from schedules.plans.problem import Week, proposals_of, read_week
from schedules.routing.checker import Unassigned, Why
from schedules.routing.problem import MINUTE
from schedules.visits.site_work import SiteWork
from schedules.words import span
from servicedesk.accounts.models import User
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.history import shown_values, stored_values, write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.words import count
from units.operations import save_new

from .tasks import raise_early
from .visits import put_back

if TYPE_CHECKING:
    from schedules.routing.solver import Plan

SOLVE = "schedules.solve_weeks"
SILENT = timedelta(minutes=5)
HEARD_EVERY = timedelta(seconds=20)
SEED = 1
FARTHEST = timedelta(days=366)
State, Stage = MaintenanceTask.State, WeekPlan.Stage


def ask_for_week(monday: date, *, horizon_days: int, by: User | None, at: datetime) -> WeekPlan:
    """Request the routes of a week; a worker or the clock plans them."""
    today = timezone.localdate(at)
    if monday + timedelta(days=6) < today:
        raise RuleViolation("That week is over: choose this week or a later one.")
    if monday > today + FARTHEST:
        raise RuleViolation("That week is more than a year away: choose an earlier one.")
    with atomic_operation():
        plan = WeekPlan(monday=monday, horizon_days=horizon_days, asked_by=by, asked_at=at)
        save_new(plan, action="asked for", by=by, at=at)
        if not current_app.conf.task_always_eager:  # else the clock takes it up, so that no page waits
            enqueue_on_commit(SOLVE)
    return plan


def solve_waiting_weeks(*, at: datetime, number: int | None = None) -> int:
    """Plan every week that waits for it; return how many."""
    waiting = list(WeekPlan.objects.to_solve(silent_since=at - SILENT))
    return sum(solve_week(plan, number=number) for plan in waiting)


class _TakenOver(Exception):  # noqa: N818 - what happened, not a fault
    """Another worker has the lease of the plan, because this one renewed it too late."""


def solve_week(plan: WeekPlan, *, number: int | None = None, at: datetime | None = None) -> bool:
    """Solve the routes of a week and write them into visits; a refusal is stored on the plan.

    Return whether the lease of the plan was ours to the end: of two workers one gets it, and one that does
    not renew it for five minutes can lose it to another.
    """
    if not _claim(plan):
        return False

    # Loaded where routes are solved: every web worker loads this module, and none of them solves.
    from schedules.routing.solver import ITERATIONS, iterations, plan_routes

    def tell(done: int, whole: int) -> None:
        percent, now = min(99, 100 * done // whole), timezone.now()
        if percent > plan.percent or now - (plan.alive_at or now) > HEARD_EVERY:
            _still_ours(plan, percent=percent, alive_at=now)
            plan.percent, plan.alive_at = percent, now

    try:
        week = read_week(plan.monday, now=at or timezone.now(), horizon=timedelta(days=plan.horizon_days))
        solution = plan_routes(week.problem, search=iterations(number or ITERATIONS, tell), seed=SEED)
        put_week(plan, week, solution, at=at or timezone.now())
    except RuleViolation as refusal:
        _end(plan, Stage.FAILED, said=str(refusal))
    except _TakenOver:
        return False
    except Exception:
        _end(plan, Stage.FAILED, said="Something went wrong here; the server log says what. Try again.")
        raise
    return True


def _claim(plan: WeekPlan) -> bool:
    """Conditional update that takes the lease of a plan; ``alive_at`` tells whose lease it is."""
    now = timezone.now()
    mine = WeekPlan.objects.to_solve(silent_since=now - SILENT).filter(pk=plan.pk)
    plan.stage, plan.alive_at, plan.percent = Stage.SOLVING, now, 0
    return bool(mine.update(stage=Stage.SOLVING, alive_at=now, percent=0))


def _still_ours(plan: WeekPlan, **fields: object) -> None:
    """Conditional update of a plan under our lease, locked until the transaction ends."""
    ours = WeekPlan.objects.filter(pk=plan.pk, stage=Stage.SOLVING, alive_at=plan.alive_at)
    if not ours.update(**fields):
        raise _TakenOver(f"The {plan} is planned by another worker.")


def _end(plan: WeekPlan, stage: str, *, said: str) -> None:
    with suppress(_TakenOver):
        _still_ours(plan, stage=stage, percent=100, done_at=timezone.now(), said=said[:300])


@dataclass(frozen=True)
class _Place:
    """Time and people of one stop of the plan."""

    begins: datetime
    ends: datetime
    people: tuple[int, ...]


def put_week(plan: WeekPlan, week: Week, solution: Plan, *, at: datetime) -> None:
    """Write routes into visits: move proposals to their new times, make new ones, withdraw the rest.

    Raises
    ------
    RuleViolation
        When somebody planned meanwhile, so that a person would be at two places; nothing is changed then.
    """
    places = _places(week, solution)
    by = plan.asked_by
    with atomic_operation():
        _still_ours(plan, percent=99)
        free = _Proposals(proposals_of(week.monday, now=at))
        tasks = _free_tasks(week, free.tasks)
        made = moved = 0
        for key, place in places.items():
            work = week.work[key]
            mine = [task for task in work.tasks if task.pk in tasks]
            if not mine:
                continue
            visit = free.take(work.site.pk)
            moved += visit is not None
            made += visit is None
            _put(visit or Visit(site=work.site), plan, work, mine, place, by=by, at=at)
        for visit in free.rest():
            _withdraw(visit, by=by, at=at)
        _check_nobody_twice(week, plan)
        UnassignedWork.objects.bulk_create(_unassigned(plan, week, solution))
        said = f"{count(made, 'visit')} made, {moved:,} moved or kept, {len(free.rest()):,} withdrawn"
        _end(plan, Stage.DONE, said=said)
        write_change(plan, action=f"planned: {said}", by=by, at=at)


def _places(week: Week, solution: Plan) -> dict[Hashable, _Place]:
    places: dict[Hashable, _Place] = {}
    for each in solution.routes:
        for timed in each.stops:
            key = timed.stop.key
            if week.work[key].visit is not None:
                continue  # agreed: it stays where it is
            before = places[key].people if key in places else ()
            people = (*before, each.shift.person)
            places[key] = _Place(week.moment(timed.begins), week.moment(timed.ends), people)  # type: ignore[arg-type]
    return places


class _Proposals:
    """Proposals of the plan before, reused site by site."""

    def __init__(self, visits: Sequence[Visit]) -> None:
        locked = Visit.objects.locked().filter(pk__in=[visit.pk for visit in visits]).order_by("pk")
        self._by_site: dict[int, list[Visit]] = {}
        for visit in locked:
            if visit.may_be_replanned and visit.is_open:
                self._by_site.setdefault(visit.site_id, []).append(visit)
        pks = [visit.pk for visits in self._by_site.values() for visit in visits]
        self.tasks = set(VisitTask.objects.filter(visit__in=pks).values_list("task_id", flat=True))

    def take(self, site: int) -> Visit | None:
        """Take a proposal of a site; None where there is none left."""
        mine = self._by_site.get(site)
        return mine.pop(0) if mine else None

    def rest(self) -> list[Visit]:
        """List the proposals that were not taken."""
        return [visit for visits in self._by_site.values() for visit in visits]


def _free_tasks(week: Week, on_proposals: set[int]) -> set[int]:
    """Keys of a week's tasks that are still free; some may have been planned or done meanwhile."""
    wanted = [task.pk for work in week.work.values() for task in work.tasks]
    locked = MaintenanceTask.objects.locked().filter(pk__in=wanted)
    return {
        task.pk
        for task in locked
        if task.state == State.NEEDS_ACTION or (task.is_open and task.pk in on_proposals)
    }


def _put(
    visit: Visit,
    plan: WeekPlan,
    work: SiteWork,
    tasks: Sequence[MaintenanceTask],
    place: _Place,
    *,
    by: User | None,
    at: datetime,
) -> None:
    """Store one stop of the plan as a visit with its people and tasks."""
    new = visit.pk is None
    before = {} if new else stored_values(visit)
    before_people = set() if new else set(visit.technicians.values_list("pk", flat=True))
    moved = (visit.starts_at, visit.ends_at) != (place.begins, place.ends)
    if new:
        visit.created_at, visit.zone, visit.place = at, settings.TIME_ZONE, work.site.address_line
    visit.sequence += 0 if new else moved
    visit.starts_at, visit.ends_at, visit.changed_at = place.begins, place.ends, at
    visit.planned_by = plan
    all_tasks = [*tasks, *(raise_early(due, by=by, at=at) for due in work.coming)]
    visit.full_clean()
    visit.save()
    changed = new or moved or before_people != set(place.people)
    visit.technicians.set(place.people)
    _set_tasks(visit, all_tasks, at=at)
    if changed:
        action = "proposed by the plan of the week" if new else "moved by the plan of the week"
        write_change(visit, action=action, by=by, at=at, before=before, after=shown_values(visit))


def _set_tasks(visit: Visit, tasks: Sequence[MaintenanceTask], *, at: datetime) -> None:
    """Set exactly these tasks on a proposal, whichever proposal they stood on before."""
    pks = [task.pk for task in tasks]
    dropped = visit.visit_tasks.exclude(task__in=pks)
    put_back(list(dropped.values_list("task_id", flat=True)), at=at)
    dropped.delete()
    VisitTask.objects.filter(task__in=pks, outcome="", visit__finished_at__isnull=True).exclude(
        visit=visit
    ).exclude(visit__state=Visit.State.CANCELLED).delete()
    there = set(visit.visit_tasks.values_list("task_id", flat=True))
    VisitTask.objects.bulk_create(VisitTask(visit=visit, task_id=pk) for pk in pks if pk not in there)
    MaintenanceTask.objects.filter(pk__in=pks).update(state=State.IN_PROCESS, changed_at=at)


def _withdraw(visit: Visit, *, by: User | None, at: datetime) -> None:
    before = stored_values(visit)
    put_back(list(visit.visit_tasks.values_list("task_id", flat=True)), at=at)
    visit.state, visit.changed_at = Visit.State.CANCELLED, at
    visit.sequence += 1
    visit.save()
    write_change(
        visit,
        action="withdrawn by the plan of the week",
        by=by,
        at=at,
        before=before,
        after=shown_values(visit),
    )


def _check_nobody_twice(week: Week, plan: WeekPlan) -> None:
    """Refuse a plan with somebody at two places at once: others planned while it was solved."""
    start, end = week.moment(0), week.moment(7 * 86_400)
    busy: dict[int, datetime] = {}
    rows = (
        Visit.objects.open()
        .meeting(start, end)
        .exclude(technicians=None)
        .order_by("starts_at", "pk")
        .values_list("technicians", "starts_at", "ends_at", "planned_by")
    )
    ends_of_ours: dict[int, bool] = {}
    for person, begins, ends, planned_by in rows:
        ours = planned_by == plan.pk
        if person in busy and begins < busy[person] and (ours or ends_of_ours[person]):
            raise RuleViolation("Somebody planned visits of this week meanwhile. Ask for the plan again.")
        if person not in busy or ends > busy[person]:
            busy[person], ends_of_ours[person] = ends, ours


def _unassigned(plan: WeekPlan, week: Week, solution: Plan) -> list[UnassignedWork]:
    unassigned = [(week.work[each.stop.key], words_for(each, week)) for each in solution.unassigned]
    rows = [(work, why) for work, why in [*unassigned, *week.aside] if work.visit is None]
    return [
        UnassignedWork(
            plan=plan,
            site=work.site,
            tasks=len(work.tasks),
            minutes=work.minutes,
            priority=work.priority,
            why=why,
        )
        for work, why in rows
    ]


def words_for(left: Unassigned, week: Week) -> str:
    """Reason in words why a stop is on no route."""
    words: dict[Why, Callable[[], str]] = {
        Why.NOBODY: lambda: "nobody is on the road that week",
        Why.SKILL: lambda: "nobody who works that week has the skill it needs",
        Why.TWO: lambda: "it needs two people, and no two are free at the same time",
        Why.NO_DAY: lambda: "nobody who may do it works that week",
        Why.WINDOW: lambda: "the access times are outside everybody’s hours",
        Why.TOO_LONG: lambda: "it takes longer than anybody’s day has room for",
        Why.FULL: lambda: _full(left, week),
    }
    return words[left.why]()


def _full(left: Unassigned, week: Week) -> str:
    day = week.days.get(left.shift)
    if day is None or not left.missing:
        return "more urgent work fills the week"
    minutes = -(-left.missing // MINUTE)
    return (
        f"the schedule is full; it would fit best on {day.on:%A} with {day.person.name}, "
        f"whose day would take {span(minutes)} more"
    )
