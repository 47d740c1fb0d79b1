"""Operations on visits: plan, change, confirm, cancel, fix, move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from django.conf import settings
from django.utils import timezone

from schedules.local_times import wall_time
from schedules.models import MaintenanceTask, NextDue, Visit, VisitTask
from servicedesk.accounts.models import User
from servicedesk.core.history import shown_values, stored_values, write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import clock_time, month_day, month_day_time
from units.models import Site
from units.operations import save_new

from .tasks import raise_early
from .times import check_day, check_hours, check_nobody_away

State = MaintenanceTask.State
MOST_TECHNICIANS = 2
MOST_MINUTES = 12 * 60
QUARTER = 15


def usual_minutes(tasks: Sequence[MaintenanceTask], coming: Sequence[NextDue] = ()) -> int:
    """Usual minutes of tasks together, rounded up to a quarter of an hour."""
    minutes = sum(task.minutes for task in tasks) + sum(due.rule.minutes for due in coming)
    return min(max(-(-minutes // QUARTER), 1) * QUARTER, MOST_MINUTES)


def plan_visit(
    site: Site,
    *,
    starts_at: datetime,
    minutes: int | None = None,
    technicians: Sequence[User] = (),
    tasks: Sequence[MaintenanceTask] = (),
    coming: Sequence[NextDue] = (),
    note: str = "",
    already_over: bool = False,
    all_the_same: bool = False,
    by: User | None,
    at: datetime,
) -> Visit:
    """Propose a visit to a site with some of its tasks, and with next dues that fall due soon.

    Without ``minutes`` it takes what the tasks usually take. A visit whose time is over is only stored when
    ``already_over`` says that it took place; it then counts as confirmed. ``all_the_same`` plans it outside
    the hours of those who go.
    """
    with atomic_operation():
        if not already_over and starts_at < at:
            raise RuleViolation(
                {"day": ["That time is over. Check “It already took place” to record it afterward."]}
            )
        if already_over and starts_at > at:
            raise RuleViolation({"day": ["That time is still to come, so the visit can’t have taken place."]})
        if already_over and not technicians:
            raise RuleViolation({"technicians": ["Say who was there."]})
        check_day(timezone.localdate(starts_at), at=at)
        visit = Visit(
            site=site,
            place=site.address_line,
            starts_at=starts_at,
            ends_at=starts_at + _length(minutes, tasks, coming),
            zone=settings.TIME_ZONE,
            state=Visit.State.CONFIRMED if already_over else Visit.State.TENTATIVE,
            note=note,
            created_at=at,
            changed_at=at,
        )
        if not already_over:
            check_nobody_away(visit, technicians)
        _check_technicians(visit, technicians)
        _check_purpose(tasks, coming, note)
        if not already_over and not all_the_same:
            check_hours(visit, technicians)
        save_new(visit, action=f"planned for {_who(technicians)}", by=by, at=at)
        visit.technicians.set(technicians)
        _take_along(visit, [*tasks, *_raised(coming, by=by, at=at)])
    return visit


def change_visit(
    visit: Visit,
    *,
    starts_at: datetime,
    minutes: int | None = None,
    technicians: Sequence[User],
    tasks: Sequence[MaintenanceTask],
    coming: Sequence[NextDue] = (),
    note: str,
    all_the_same: bool = False,
    by: User | None,
    at: datetime,
) -> Visit:
    """Change a visit's time, technicians or tasks; a confirmed visit stays confirmed.

    Its time is checked against the hours and absences of those who go only where time or people change, so
    that a visit planned before somebody fell ill can still get a note.
    """
    with atomic_operation():
        visit = lock_open_visit(visit)
        before = stored_values(visit)
        ends_at = starts_at + _length(minutes, tasks, coming)
        moved = (starts_at, ends_at) != (visit.starts_at, visit.ends_at)
        if moved and starts_at != visit.starts_at and starts_at < at:
            raise RuleViolation({"day": ["That time is over: a visit can only be moved to a time to come."]})
        if visit.state == Visit.State.CONFIRMED and not technicians:
            raise RuleViolation({"technicians": ["Somebody must go on a confirmed visit."]})
        if moved:
            check_day(timezone.localdate(starts_at), at=at)
        there = [] if moved else list(visit.technicians.all())
        anew = [person for person in technicians if person not in there]
        visit.starts_at, visit.ends_at, visit.note, visit.changed_at = starts_at, ends_at, note, at
        visit.sequence += moved
        check_nobody_away(visit, anew)
        _check_technicians(visit, technicians)
        _check_purpose(tasks, coming, note)
        if not all_the_same:
            check_hours(visit, anew)
        action = _changes_of_people(visit, technicians)
        visit.technicians.set(technicians)
        _leave_out(visit, keep=tasks)
        _take_along(visit, [*tasks, *_raised(coming, by=by, at=at)])
        _store(visit, action=action, before=before, by=by, at=at)
    return visit


def confirm_visit(visit: Visit, *, by: User | None, at: datetime) -> Visit:
    """Confirm a visit: customer and technicians count on it."""
    with atomic_operation():
        visit = lock_open_visit(visit)
        if visit.state == Visit.State.CONFIRMED:
            return visit
        if not visit.technicians.exists():
            raise RuleViolation(
                "Nobody is named for this visit yet: change it and say who goes, then confirm it."
            )
        if visit.starts_at > at:
            check_nobody_away(visit, list(visit.technicians.all()))
        before = stored_values(visit)
        visit.state = Visit.State.CONFIRMED
        visit.sequence += 1
        _store(visit, action="confirmed", before=before, by=by, at=at)
    return visit


def cancel_visit(visit: Visit, *, why: str, by: User | None, at: datetime) -> Visit:
    """Cancel a visit; its tasks go back on the list of work, calendars show it as cancelled for a while."""
    with atomic_operation():
        locked = lock_visit(visit)
        if locked.state == Visit.State.CANCELLED:
            return locked
        visit = lock_open_visit(visit)
        if not why.strip():
            raise RuleViolation({"why": ["Say why the visit is canceled, such as “customer away”."]})
        before = stored_values(visit)
        visit.state = Visit.State.CANCELLED
        visit.sequence += 1
        put_back([taken.task_id for taken in visit.visit_tasks.all()], at=at)
        _store(visit, action=f"canceled: {why.strip()}", before=before, by=by, at=at)
    return visit


def keep_visit(visit: Visit, *, fixed: bool, by: User | None, at: datetime) -> Visit:
    """Fix a proposed visit, so that planning the week again does not move it, or release it."""
    with atomic_operation():
        visit = lock_open_visit(visit)
        before = stored_values(visit)
        visit.fixed = fixed
        if visit.planned_by_id is None and not fixed:
            raise RuleViolation("Somebody planned this visit by hand: only a plan’s own proposals are moved.")
        action = "time fixed" if fixed else "time not fixed any more"
        _store(visit, action=action, before=before, by=by, at=at)
    return visit


def move_visit(
    visit: Visit,
    *,
    person: User,
    starts: Mapping[int, datetime],
    agreed: bool = False,
    by: User | None,
    at: datetime,
) -> Visit:
    """Move a proposed visit to another place in the routes, and retime the visits of its new route.

    ``starts`` holds when each visit of that route begins, by its key. The moved visit then stays as it is;
    ``agreed`` says that the customer chose the place, which also moves a confirmed visit and confirms it.
    """
    with atomic_operation():
        by_pk = {each.pk: each for each in Visit.objects.locked().filter(pk__in=list(starts)).order_by("pk")}
        mine = lock_open_visit(by_pk[visit.pk])
        if mine.state == Visit.State.CONFIRMED and not agreed:
            raise RuleViolation("This visit is confirmed: change it, and tell the customer.")
        if starts[visit.pk] < at:
            raise RuleViolation("That time is over by now: choose another place.")
        for pk, begins in starts.items():
            each = by_pk[pk]
            if pk != visit.pk and (begins == each.starts_at or not each.may_be_replanned):
                continue
            before = stored_values(each)
            each.ends_at, each.starts_at = begins + (each.ends_at - each.starts_at), begins
            each.sequence += 1
            if pk == visit.pk:
                each.fixed = True
                each.state = Visit.State.CONFIRMED if agreed else each.state
                each.technicians.set([person])
            how = "moved as the customer chose" if agreed else "moved by hand"
            action = f"{how}; {person.name} will go" if pk == visit.pk else "moved with its route"
            _store(each, action=action, before=before, by=by, at=at)
        for each in by_pk.values():
            _check_technicians(each, [person])
        _check_there(by_pk[visit.pk], person, agreed=agreed)
    return by_pk[visit.pk]


def _check_there(visit: Visit, person: User, *, agreed: bool) -> None:
    """Refuse somebody who is away by now; a customer is not told why."""
    try:
        check_nobody_away(visit, [person])
    except RuleViolation as refusal:
        if agreed:
            raise RuleViolation("That time is no longer available: choose another one.") from refusal
        raise


def lock_visit(visit: Visit) -> Visit:
    """Lock a visit, so that two people do not change it at once."""
    return Visit.objects.locked().get(pk=visit.pk)


def lock_open_visit(visit: Visit) -> Visit:
    """Lock a visit that must still be ahead or under way."""
    locked = lock_visit(visit)
    if locked.finished_at is not None:
        raise RuleViolation("This visit is finished; nothing can change on it any more.")
    if locked.state == Visit.State.CANCELLED:
        raise RuleViolation("This visit was canceled. Plan a new one.")
    return locked


def put_back(tasks: Sequence[int], *, at: datetime) -> None:
    """Put tasks that were on a visit back on the list of work."""
    MaintenanceTask.objects.filter(pk__in=tasks, state=State.IN_PROCESS).update(
        state=State.NEEDS_ACTION, changed_at=at
    )


def _store(visit: Visit, *, action: str, before: dict[str, str], by: User | None, at: datetime) -> None:
    visit.changed_at = at
    visit.full_clean()
    visit.save()
    write_change(visit, action=action, by=by, at=at, before=before, after=shown_values(visit))


def _length(minutes: int | None, tasks: Sequence[MaintenanceTask], coming: Sequence[NextDue]) -> timedelta:
    if minutes is not None and not 1 <= minutes <= MOST_MINUTES:
        raise RuleViolation({"minutes": [f"A visit takes from 1 to {MOST_MINUTES} minutes."]})
    return timedelta(minutes=minutes or usual_minutes(tasks, coming))


def _check_purpose(tasks: Sequence[MaintenanceTask], coming: Sequence[NextDue], note: str) -> None:
    if not tasks and not coming and not note.strip():
        raise RuleViolation({"tasks": ["Check at least one task, or say in the note what the visit is for."]})


def _check_technicians(visit: Visit, technicians: Sequence[User]) -> None:
    """Refuse a third person, one who left, and one who is elsewhere at the time."""
    if len(technicians) > MOST_TECHNICIANS:
        raise RuleViolation({"technicians": ["One or two people go on a visit: remove the others."]})
    pks = sorted(person.pk for person in technicians)
    people = list(User.objects.select_for_update(no_key=True).filter(pk__in=pks).order_by("pk"))
    for person in people:
        if not person.is_active:
            raise RuleViolation({"technicians": [f"{person.name} does not work here any more."]})
    others = Visit.objects.open().exclude(pk=visit.pk).meeting(visit.starts_at, visit.ends_at)
    for person in people:
        clash = others.of(person).select_related("site").order_by("starts_at").first()
        if clash is not None:
            raise RuleViolation({"technicians": [_elsewhere(person, clash)]})


def _elsewhere(person: User, visit: Visit) -> str:
    start, end = (wall_time(moment, zone=visit.zone) for moment in (visit.starts_at, visit.ends_at))
    return (
        f"{person.name} is at {visit.site.address_line} on {month_day(start)} from {clock_time(start)} to "
        f"{clock_time(end)}: choose another time or somebody else."
    )


def _take_along(visit: Visit, tasks: Sequence[MaintenanceTask]) -> None:
    """Put tasks on a visit; refuse one that is on another visit by now, or closed."""
    on_it = set(visit.visit_tasks.values_list("task_id", flat=True))
    wanted = {task.pk for task in tasks} - on_it
    locked = list(MaintenanceTask.objects.locked().filter(pk__in=wanted))
    for task in locked:
        if task.site_id != visit.site_id:
            raise RuleViolation({"tasks": [f"“{task.reason}” is at another site."]})
        if task.state == State.IN_PROCESS:
            raise RuleViolation({"tasks": [_taken_already(task)]})
        if not task.is_open:
            raise RuleViolation(
                {"tasks": [f"“{task.reason}” is {task.get_state_display()} already: remove it."]}
            )
    VisitTask.objects.bulk_create(VisitTask(visit=visit, task=task) for task in locked)
    MaintenanceTask.objects.filter(pk__in=wanted).update(state=State.IN_PROCESS, changed_at=visit.changed_at)


def _taken_already(task: MaintenanceTask) -> str:
    other = Visit.objects.open().filter(visit_tasks__task=task).first()
    when = f" on {month_day_time(other.local_start)}" if other else ""
    return f"“{task.reason}” is on another visit already{when}: remove it here."


def _leave_out(visit: Visit, *, keep: Sequence[MaintenanceTask]) -> None:
    """Remove the tasks that a visit no longer has; those with an outcome stay."""
    dropped = visit.visit_tasks.filter(outcome="").exclude(task__in=keep)
    pks = list(dropped.values_list("task_id", flat=True))
    dropped.delete()
    put_back(pks, at=visit.changed_at)


def _raised(coming: Sequence[NextDue], *, by: User | None, at: datetime) -> list[MaintenanceTask]:
    return [raise_early(due, by=by, at=at) for due in sorted(coming, key=lambda due: due.pk)]


def _who(technicians: Sequence[User]) -> str:
    return " and ".join(person.name for person in technicians) or "nobody yet"


def _changes_of_people(visit: Visit, technicians: Sequence[User]) -> str:
    if {person.pk for person in technicians} == {person.pk for person in visit.technicians.all()}:
        return "changed"
    return f"changed; {_who(technicians)} will go"
