"""Operation that finishes a visit: records work done, updates due dates, and closes calls where possible."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.utils import timezone

from schedules.models import MaintenanceTask, Visit
from schedules.operations import Wait, complete_task, finish_visit
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Work
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation

from .safety import make_safe
from .states import close_call
from .works import record_work


@dataclass(frozen=True)
class Result:
    """Result of one task: done and in how many minutes, or why not, what is missing, until when."""

    done: bool
    minutes: int | None = None
    why_not: str = ""
    wait: Wait | None = None
    needs: str = ""


@dataclass(frozen=True)
class Finished:
    """Finished visit, the calls it closed, and the ones that stay open with the reason."""

    visit: Visit
    closed: list[Call]
    open_still: list[tuple[Call, str]]


def finish(
    visit: Visit,
    *,
    results: Mapping[int, Result],
    made_safe: Mapping[int, str] | None = None,
    note: str = "",
    finished_at: datetime,
    by: User,
    at: datetime,
) -> Finished:
    """Finish a visit in one transaction.

    Each maintenance task done is recorded as work with its minutes; each done repair closes its call, unless
    a danger is open: then the repair counts as done and the call stays open until it is made safe.
    ``made_safe`` maps a call to what made it safe; ``note`` is added to the visit's own.
    """
    on = timezone.localdate(finished_at)
    with atomic_operation():
        tasks = {task.pk: task for task in tasks_of(visit)}
        fresh = Visit.objects.select_for_update().get(pk=visit.pk).finished_at is None
        if fresh:
            make_safe_at(visit, made_safe or {}, by=by, at=at)
            for key, said in results.items():
                if said.done and key in tasks:
                    record_task_done(tasks[key], minutes=said.minutes, on=on, by=by, at=at)
        visit = finish_visit(
            visit,
            outcomes={key: "" if said.done else said.why_not for key, said in results.items()},
            waits={key: said.wait for key, said in results.items() if said.wait},
            needs={key: said.needs for key, said in results.items() if said.needs},
            note=note,
            finished_at=finished_at,
            by=by,
            at=at,
        )
        done = [key for key, said in results.items() if said.done]
        # In the same transaction: a visit is not finished again, so a call left open here would stay so.
        closed, open_still = close_calls_of(done, by=by, at=at)
        return Finished(visit, closed, open_still)


def tasks_of(visit: Visit) -> list[MaintenanceTask]:
    """Tasks of a visit that have no result yet."""
    tasks = MaintenanceTask.objects.open().filter(visit_tasks__visit=visit)
    return list(
        tasks.select_related("unit", "installed_part__component_type", "call").order_by("unit__code", "pk")
    )


def dangers_of(visit: Visit) -> list[Call]:
    """Calls of a visit in which a danger is open."""
    calls = Call.objects.with_open_danger().filter(task__visit_tasks__visit=visit)
    return list(calls.select_related("unit").prefetch_related("safety_answers").order_by("pk").distinct())


def make_safe_at(visit: Visit, how: Mapping[int, str], *, by: User, at: datetime) -> None:
    """Record what made dangers safe at a visit, by call; one that is safe already keeps its record."""
    with atomic_operation():
        for call in dangers_of(visit):
            if words := how.get(call.pk, "").strip():
                make_safe(call, how=words, by=by, at=at)


def complete_done(
    tasks: Iterable[MaintenanceTask],
    *,
    on: date,
    minutes: Mapping[int, int | None] | None = None,
    by: User,
    at: datetime,
) -> list[MaintenanceTask]:
    """Complete tasks that were done apart from finishing a visit; those already done are left as they are."""
    with atomic_operation():
        done = [task for task in tasks if task.is_open]
        for task in done:
            record_task_done(task, minutes=(minutes or {}).get(task.pk), on=on, by=by, at=at)
            complete_task(task, on=on, by=by, at=at)
    return done


def record_task_done(task: MaintenanceTask, *, minutes: int | None, on: date, by: User, at: datetime) -> None:
    """Record a maintenance task as work done; repairs are recorded at their call, with findings and parts."""
    if task.origin != MaintenanceTask.Origin.MAINTENANCE or task.unit is None or not task.work:
        return
    work = Work(
        unit=task.unit,
        installed_part=task.installed_part,
        task=task,
        kind=task.work,
        done_on=on,
        minutes=minutes,
        payer=Work.Payer.CUSTOMER,
    )
    record_work(work, by=by, at=at)


def close_calls_of(
    tasks: Iterable[int], *, by: User, at: datetime
) -> tuple[list[Call], list[tuple[Call, str]]]:
    """Close the open calls of done repairs; return those closed, and those that stay open and why."""
    closed, open_still = [], []
    for call in Call.objects.open().filter(task__in=tasks).select_related("site"):
        try:
            closed.append(close_call(call, by=by, at=at))
        except RuleViolation as refusal:
            open_still.append((call, str(refusal)))
    return closed, open_still
