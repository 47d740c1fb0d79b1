"""Operation that finishes a visit with the outcome of each task."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import NamedTuple

from django.utils import timezone

from schedules.models import MaintenanceTask, NextDue, Visit, VisitTask
from servicedesk.accounts.models import User
from servicedesk.core.history import shown_values, stored_values, write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from units.operations import save_change

from .tasks import complete_locked
from .visits import lock_visit

DONE = ""
CLOCKS_DIFFER = timedelta(minutes=5)


class Wait(NamedTuple):
    """Whom a task that could not be done waits for, and until which day."""

    waiting_for: str
    until: date


def finish_visit(
    visit: Visit,
    *,
    outcomes: Mapping[int, str],
    waits: Mapping[int, Wait] | None = None,
    needs: Mapping[int, str] | None = None,
    note: str = "",
    finished_at: datetime,
    by: User | None,
    at: datetime,
) -> Visit:
    """Finish a visit: complete the done tasks and move their next dues, put the others back on the list.

    ``outcomes`` says of each task still open, by its key, "" where it was done or else why not
    (`MaintenanceTask.NotDone`); ``waits`` lets some of those not done wait, and ``needs`` says which part is
    missing. ``note`` is added to the visit's own. Finishing twice changes nothing.
    """
    with atomic_operation():
        visit = lock_visit(visit)
        if visit.finished_at is not None:
            return visit
        _check(visit, finished_at=finished_at, at=at)
        taken = _lock_tasks(visit)
        _check_outcomes(taken, outcomes)
        on = timezone.localdate(finished_at)
        for entry in taken:
            entry.needs = (needs or {}).get(entry.task_id, "")
            _settle(
                entry, outcomes.get(entry.task_id), on=on, wait=(waits or {}).get(entry.task_id), by=by, at=at
            )
        before = stored_values(visit)
        visit.note = "\n".join(filter(None, [visit.note, note.strip()]))
        visit.sequence += visit.state != Visit.State.CONFIRMED
        visit.state, visit.finished_at, visit.changed_at = Visit.State.CONFIRMED, finished_at, at
        visit.full_clean()
        visit.save()
        write_change(visit, action=_words(taken), by=by, at=at, before=before, after=shown_values(visit))
    return visit


def _check(visit: Visit, *, finished_at: datetime, at: datetime) -> None:
    if visit.state == Visit.State.CANCELLED:
        raise RuleViolation(
            "This visit was canceled, so it can’t be finished. Plan a new one if it took place."
        )
    if not visit.technicians.exists():
        raise RuleViolation(
            "Nobody is named for this visit: change it and say who was there, then finish it."
        )
    if finished_at > at + CLOCKS_DIFFER:
        raise RuleViolation({"finished_at": ["That time is still to come: give the time the visit ended."]})


def _lock_tasks(visit: Visit) -> list[VisitTask]:
    """Lock the tasks of a visit, their next dues first, as every operation does."""
    taken = list(visit.visit_tasks.order_by("pk"))
    pks = [entry.task_id for entry in taken]
    dues = {due.pk: due for due in NextDue.objects.locked().filter(tasks__in=pks)}
    tasks = {task.pk: task for task in MaintenanceTask.objects.locked().filter(pk__in=pks)}
    for entry in taken:
        entry.task = tasks[entry.task_id]
        if entry.task.next_due_id in dues:
            entry.task.next_due = dues[entry.task.next_due_id]
    return taken


def _check_outcomes(taken: list[VisitTask], outcomes: Mapping[int, str]) -> None:
    untold = [entry.task.reason for entry in taken if entry.task.is_open and entry.task_id not in outcomes]
    if untold:
        raise RuleViolation({"": [f"Mark it as done, or say why not: “{reason}”." for reason in untold]})
    if stray := set(outcomes) - {entry.task_id for entry in taken}:
        raise RuleViolation(f"Task {min(stray)} is not on this visit any more. Look at the visit again.")
    known = {DONE, *MaintenanceTask.NotDone.values}
    for code in outcomes.values():
        if code not in known:
            raise RuleViolation(f"“{code}” is no reason for a task not done: choose one of the list.")


def _settle(
    entry: VisitTask, outcome: str | None, *, on: date, wait: Wait | None, by: User | None, at: datetime
) -> None:
    """Record the outcome of one task; a task that was completed or cancelled meanwhile keeps its state."""
    task = entry.task
    if not task.is_open:
        entry.outcome = VisitTask.Outcome.DONE if task.state == task.State.COMPLETED else entry.outcome
    elif outcome == DONE:
        complete_locked(task, on=on, by=by, at=at)
        entry.outcome = VisitTask.Outcome.DONE
    else:
        _send_back(task, outcome or "", wait=wait, needs=entry.needs, by=by, at=at)
        entry.outcome, entry.why_not = VisitTask.Outcome.NOT_DONE, outcome or ""
    entry.full_clean()
    entry.save()


def _send_back(
    task: MaintenanceTask, why_not: str, *, wait: Wait | None, needs: str, by: User | None, at: datetime
) -> None:
    task.state, task.not_done = MaintenanceTask.State.NEEDS_ACTION, why_not
    if wait is not None and not task.makes_safe:  # a danger waits for nobody
        task.waiting_for, task.waiting_until = wait
    action = f"not done: {task.get_not_done_display()}{f' ({needs})' if needs else ''}"
    save_change(task, action=action, by=by, at=at)


def _words(taken: list[VisitTask]) -> str:
    done = sum(entry.outcome == VisitTask.Outcome.DONE for entry in taken)
    not_done = sum(entry.outcome == VisitTask.Outcome.NOT_DONE for entry in taken)
    return f"finished: {done} done, {not_done} not done"
