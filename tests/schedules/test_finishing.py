"""Finishing a visit: only what was done counts as done."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from schedules import operations
from schedules.models import MaintenanceTask, NextDue, Visit, VisitTask
from schedules.operations import Wait
from servicedesk.accounts.models import User
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import NextDueFactory, TaskFactory, VisitFactory

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 15, 0, tzinfo=UTC)
ENDED = datetime(2026, 5, 4, 14, 10, tzinfo=UTC)


@pytest.fixture
def visit(technician: User) -> Visit:
    """A confirmed visit with three tasks: two of care, one of a call."""
    dues = [NextDueFactory(installed_part__unit__site__care_by="us") for _ in range(2)]
    site = dues[0].installed_part.unit.site
    type(dues[1].installed_part.unit).objects.filter(pk=dues[1].installed_part.unit_id).update(site=site)
    visit = VisitFactory(site=site, state="confirmed")
    visit.technicians.add(technician)
    tasks = [
        TaskFactory(
            site=site, unit=due.installed_part.unit, next_due=due, state="in-process", reason=f"care {n}"
        )
        for n, due in enumerate(dues)
    ]
    tasks.append(
        TaskFactory(unit=dues[0].installed_part.unit, origin="call", state="in-process", reason="the call")
    )
    VisitTask.objects.bulk_create(VisitTask(visit=visit, task=task) for task in tasks)
    return visit


def tasks_of(visit: Visit) -> list[MaintenanceTask]:
    """Give the tasks of a visit as they are stored now."""
    return [entry.task for entry in visit.visit_tasks.select_related("task__next_due").order_by("pk")]


def finished(visit: Visit, *outcomes: str, **fields: Any) -> Visit:
    """Finish a visit with one outcome a task."""
    by_task = {task.pk: outcome for task, outcome in zip(tasks_of(visit), outcomes, strict=False)}
    return operations.finish_visit(
        visit, **{"outcomes": by_task, "finished_at": ENDED, "by": None, "at": AT, **fields}
    )


def test_done_tasks_are_completed_and_move_their_care_and_the_others_do_not(visit: Visit) -> None:
    visit = finished(visit, "", "no_access", "part_missing")
    done, not_done, call = tasks_of(visit)
    assert (visit.finished_at, visit.state, visit.sequence) == (ENDED, "confirmed", 0)
    assert (done.state, done.done_on) == ("completed", date(2026, 5, 4))
    assert (not_done.state, not_done.not_done, not_done.done_on) == ("needs-action", "no_access", None)
    assert (call.state, call.not_done) == ("needs-action", "part_missing")
    moved, stayed = NextDue.objects.order_by("pk")
    assert (moved.last_done_on, moved.next_due_on) == (date(2026, 5, 4), date(2027, 5, 4))
    assert (stayed.last_done_on, stayed.next_due_on) == (None, date(2026, 3, 1))
    rows = list(visit.visit_tasks.order_by("pk").values_list("outcome", "why_not"))
    assert rows == [("done", ""), ("not_done", "no_access"), ("not_done", "part_missing")]
    assert Change.objects.about(visit).get().action == "finished: 1 done, 2 not done"
    assert Change.objects.about(not_done).get().action == "not done: no access"


def test_what_was_not_done_is_on_the_list_again_and_raised_no_second_time(visit: Visit) -> None:
    finished(visit, "", "too_cold", "")
    assert operations.raise_due(date(2026, 5, 4), at=AT) == 0
    assert [task.reason for task in MaintenanceTask.objects.unplanned()] == ["care 1"]


def test_what_was_not_done_may_wait(visit: Visit) -> None:
    call = tasks_of(visit)[2]
    finished(visit, "", "", "part_missing", waits={call.pk: Wait("part", date(2026, 6, 1))})
    call = tasks_of(visit)[2]
    assert (call.state, call.waiting_for, call.waiting_until) == ("needs-action", "part", date(2026, 6, 1))
    assert not MaintenanceTask.objects.unplanned().due(date(2026, 5, 31)).exists()


def test_the_day_is_that_of_the_company(visit: Visit) -> None:
    late = datetime(2026, 5, 5, 2, 0, tzinfo=UTC)  # 22:00 on May 4 in New York
    finished(visit, "", "", "", finished_at=late, at=late)
    assert {task.done_on for task in tasks_of(visit)} == {date(2026, 5, 4)}


def test_finishing_twice_changes_nothing(visit: Visit) -> None:
    finished(visit, "", "", "")
    again = finished(visit, "no_access", "no_access", "no_access", finished_at=AT)
    assert again.finished_at == ENDED
    assert {task.state for task in tasks_of(visit)} == {"completed"}
    assert Change.objects.about(visit).count() == 1


def test_each_open_task_must_be_told_of_and_nothing_happens_before(visit: Visit) -> None:
    with pytest.raises(RuleViolation) as refused:
        finished(visit, "")
    assert refused.value.reasons == {
        "": [
            "Mark it as done, or say why not: “care 1”.",
            "Mark it as done, or say why not: “the call”.",
        ]
    }
    visit.refresh_from_db()
    assert visit.finished_at is None
    assert {task.state for task in tasks_of(visit)} == {"in-process"}


def test_a_task_done_or_cancelled_meanwhile_need_not_be_told_of(visit: Visit) -> None:
    first, second, call = tasks_of(visit)
    operations.complete_task(first, on=date(2026, 5, 3), by=None, at=AT)
    operations.cancel_task(second, by=None, at=AT)
    visit = operations.finish_visit(visit, outcomes={call.pk: ""}, finished_at=ENDED, by=None, at=AT)
    outcomes = list(visit.visit_tasks.order_by("pk").values_list("outcome", flat=True))
    assert outcomes == ["done", "", "done"]
    assert tasks_of(visit)[0].done_on == date(2026, 5, 3)


def test_reasons_and_tasks_that_are_not_known_are_refused(visit: Visit) -> None:
    with pytest.raises(RuleViolation, match="“whim” is no reason"):
        finished(visit, "", "", "whim")
    stray = TaskFactory()
    outcomes = {task.pk: "" for task in tasks_of(visit)} | {stray.pk: ""}
    with pytest.raises(RuleViolation, match="not on this visit any more"):
        operations.finish_visit(visit, outcomes=outcomes, finished_at=ENDED, by=None, at=AT)


def test_a_proposal_that_took_place_counts_as_confirmed(visit: Visit) -> None:
    Visit.objects.update(state="tentative")
    visit = finished(visit, "", "", "")
    assert (visit.state, visit.sequence) == ("confirmed", 1)


def test_a_cancelled_visit_one_without_people_and_one_to_come_are_refused(visit: Visit) -> None:
    with pytest.raises(RuleViolation, match="still to come"):
        finished(visit, "", "", "", finished_at=AT + timedelta(hours=1))
    visit.technicians.clear()
    with pytest.raises(RuleViolation, match="Nobody is named"):
        finished(visit, "", "", "")
    Visit.objects.update(state="cancelled")
    with pytest.raises(RuleViolation, match="was canceled"):
        finished(visit, "", "", "")


def test_a_declined_task_can_be_left_out_this_once(visit: Visit) -> None:
    finished(visit, "declined", "", "")
    task = tasks_of(visit)[0]
    operations.cancel_task(task, why="customer declined", by=None, at=AT)
    assert operations.raise_due(date(2026, 5, 5), at=AT) == 0
    assert operations.raise_due(date(2027, 5, 4), at=AT) == 2
