"""Operations on maintenance tasks: add, let wait, complete, cancel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.utils import timezone

from schedules.models import MaintenanceTask, NextDue, VisitTask
from schedules.models.maintenance import WorkKind
from schedules.words import maintenance_reason
from servicedesk.accounts.models import User
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import long_date
from units.models import FailureMode, InstalledPart, Site, Unit
from units.operations import save_change, save_new

State = MaintenanceTask.State
MAINTENANCE_PRIORITY = 5
INSPECTION_PRIORITY = 3


def add_task(
    site: Site,
    *,
    unit: Unit | None,
    origin: str,
    reason: str,
    priority: int,
    minutes: int,
    due_on: date,
    work: str = "",
    installed_part: InstalledPart | None = None,
    next_due: NextDue | None = None,
    persons: int = 1,
    level: int = FailureMode.Skill.HELPER,
    by: User | None,
    at: datetime,
) -> MaintenanceTask:
    """Add a task at a site to the list of work."""
    if unit is not None and unit.site_id != site.pk:
        raise RuleViolation({"unit": [f"Unit {unit.code} is at another site."]})
    if installed_part is not None and (unit is None or installed_part.unit_id != unit.pk):
        raise RuleViolation({"installed_part": ["That part is in another unit."]})
    with atomic_operation():
        return save_new(
            MaintenanceTask(
                site=site,
                unit=unit,
                installed_part=installed_part,
                next_due=next_due,
                origin=origin,
                work=work,
                reason=reason[:240],
                priority=priority,
                minutes=minutes,
                persons=persons,
                level=level,
                due_on=due_on,
            ),
            action="put on the list of work",
            by=by,
            at=at,
        )


MOST_INSPECTIONS = 1000
"""More than this at once is no list to work through, but a question to ask more closely."""


@dataclass(frozen=True)
class Inspections:
    """How many inspections were put on the list, and how many stood on it already."""

    made: int
    there: int


def add_inspections(
    units: Sequence[Unit], *, reason: str, minutes: int, due_on: date, by: User | None, at: datetime
) -> Inspections:
    """Add an inspection of each of some units to the list of work, because of what the figures say.

    A unit that has such an inspection open for the same reason keeps the one it has.
    """
    if due_on < timezone.localdate(at):
        raise RuleViolation({"due_on": ["That day is over: give one to come."]})
    if len(units) > MOST_INSPECTIONS:
        raise RuleViolation(
            f"These are {len(units):,} units, and at most {MOST_INSPECTIONS:,} inspections are made at once: "
            "ask about fewer."
        )
    reason = " ".join(reason.split())[:240]
    with atomic_operation():
        pks = sorted(unit.pk for unit in units)
        list(Unit.objects.select_for_update(no_key=True).filter(pk__in=pks).order_by("pk"))
        open_ones = MaintenanceTask.objects.open().filter(origin=MaintenanceTask.Origin.FIGURE, reason=reason)
        there = set(open_ones.filter(unit__in=units).values_list("unit_id", flat=True))
        missing = [unit for unit in units if unit.pk not in there]
        for unit in missing:
            add_task(
                unit.site,
                unit=unit,
                origin=MaintenanceTask.Origin.FIGURE,
                work=WorkKind.CHECKED,
                reason=reason,
                priority=INSPECTION_PRIORITY,
                minutes=minutes,
                due_on=due_on,
                by=by,
                at=at,
            )
    return Inspections(made=len(missing), there=len(there))


def raise_early(due: NextDue, *, by: User | None, at: datetime) -> MaintenanceTask:
    """Raise the task of a next due before its day, because somebody will be there anyway."""
    with atomic_operation():
        due = NextDue.objects.locked().get(pk=due.pk)
        open_task = due.tasks.open().first()
        if open_task is not None:
            return open_task
        part = due.installed_part
        return add_task(
            part.unit.site,
            unit=part.unit,
            installed_part=part,
            next_due=due,
            origin=MaintenanceTask.Origin.MAINTENANCE,
            reason=maintenance_reason(due.rule.name, panel=part.panel, last_done_on=due.last_done_on),
            priority=MAINTENANCE_PRIORITY,
            minutes=due.rule.minutes,
            persons=due.rule.persons,
            level=due.rule.level,
            work=due.rule.work,
            due_on=due.next_due_on,
            by=by,
            at=at,
        )


def let_task_wait(
    task: MaintenanceTask, *, waiting_for: str, until: date, by: User | None, at: datetime
) -> MaintenanceTask:
    """Let a task wait for a part, the maker or the customer until a day."""
    if not waiting_for or waiting_for not in MaintenanceTask.WaitingFor.values:
        raise RuleViolation({"waiting_for": ["Say whom or what the task is on hold for."]})
    if until < timezone.localdate(at):
        raise RuleViolation({"until": ["That day is over: give a day to follow up on."]})
    with atomic_operation():
        task = lock_open(task)
        _check_made_safe(task)
        task.waiting_for, task.waiting_until = waiting_for, until
        words = task.get_waiting_for_display()
        return save_change(task, action=f"on hold for {words} until {long_date(until)}", by=by, at=at)


def stop_waiting(task: MaintenanceTask, *, by: User | None, at: datetime) -> MaintenanceTask:
    """End the waiting of a task."""
    with atomic_operation():
        task = lock_open(task)
        if not task.waiting_for:
            return task
        task.waiting_for, task.waiting_until = "", None
        return save_change(task, action="resumed", by=by, at=at)


def complete_task(task: MaintenanceTask, *, on: date, by: User | None, at: datetime) -> MaintenanceTask:
    """Complete a task on a day; the maintenance it was raised for is next due an interval later."""
    if on > timezone.localdate(at):
        raise RuleViolation({"on": ["That day is still to come: give the day on which it was done."]})
    with atomic_operation():
        task = lock(task)
        if task.state == State.COMPLETED:
            return task
        if task.state == State.CANCELLED:
            raise RuleViolation("This task was canceled; log a call if there is something to do.")
        complete_locked(task, on=on, by=by, at=at)
    return task


def cancel_task(task: MaintenanceTask, *, why: str = "", by: User | None, at: datetime) -> MaintenanceTask:
    """Cancel a task that is not done.

    Its maintenance is left out this once: it falls due again an interval after the day it was cancelled.
    """
    with atomic_operation():
        task = lock(task)
        if task.state == State.CANCELLED:
            return task
        if task.state == State.COMPLETED:
            raise RuleViolation("This task was done already; it can’t be canceled any more.")
        _check_made_safe(task)
        due = task.next_due
        if due is not None:
            due.count_from(timezone.localdate(at))
            due.save()
        task.state = State.CANCELLED
        task.waiting_for, task.waiting_until = "", None
        save_change(task, action=f"canceled: {why.strip()}" if why.strip() else "canceled", by=by, at=at)
    return task


def _check_made_safe(task: MaintenanceTask) -> None:
    """Refuse to end a task about a danger: it ends at its call, where somebody says what made it safe."""
    if task.makes_safe:
        raise RuleViolation("Somebody may get hurt here. Open its call and say what made it safe first.")


def lock(task: MaintenanceTask) -> MaintenanceTask:
    """Lock a task and, before it, the next due it was raised for; always in this order."""
    due = NextDue.objects.locked().get(pk=task.next_due_id) if task.next_due_id else None
    locked = MaintenanceTask.objects.locked().get(pk=task.pk)
    if due is not None:
        locked.next_due = due
    return locked


def lock_open(task: MaintenanceTask) -> MaintenanceTask:
    """Lock a task that must still be open."""
    locked = lock(task)
    if not locked.is_open:
        raise RuleViolation(f"This task is {locked.get_state_display()}; nothing can change on it any more.")
    return locked


def complete_locked(task: MaintenanceTask, *, on: date, by: User | None, at: datetime) -> None:
    """Complete a locked task, and move the next due it was raised for."""
    _check_made_safe(task)
    due = task.next_due
    if due is not None and (due.last_done_on is None or on > due.last_done_on):
        due.last_done_on = on
        due.count_from(on)
        due.save()
    finish_task(task, on=on, action=f"done on {long_date(on)}", by=by, at=at)


def finish_task(task: MaintenanceTask, *, on: date, action: str, by: User | None, at: datetime) -> None:
    """Mark a locked task as done; where it stands on an open visit, there too."""
    task.state, task.done_on, task.not_done = State.COMPLETED, on, ""
    task.waiting_for, task.waiting_until = "", None
    save_change(task, action=action, by=by, at=at)
    VisitTask.objects.filter(task=task, outcome="", visit__finished_at__isnull=True).update(
        outcome=VisitTask.Outcome.DONE
    )
