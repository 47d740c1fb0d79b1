"""Finishing a visit: done work is recorded and moves the care on; what was not done goes back on the list."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from schedules.models import MaintenanceTask, NextDue, Visit
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, SafetyAnswer, Work
from tests.factories import (
    CallFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    TaskFactory,
    VisitFactory,
)

pytestmark = pytest.mark.django_db
NOON = datetime(2026, 5, 4, 16, 0, tzinfo=UTC)  # noon in New York


@pytest.fixture
def visit(technician: User) -> Visit:
    """A confirmed visit of the technician with one care task and one repair."""
    part = InstalledPartFactory()
    rule = MaintenanceRuleFactory(component_type=part.component_type, work="lubricated", interval_months=12)
    due = NextDueFactory(
        installed_part=part, rule=rule, counted_from=date(2025, 3, 1), next_due_on=date(2026, 3, 1)
    )
    visit = VisitFactory(site=part.unit.site, state="confirmed", starts_at=NOON - timedelta(hours=1))
    visit.technicians.add(technician)
    maintenance = TaskFactory(
        unit=part.unit, installed_part=part, next_due=due, work="lubricated", minutes=20
    )
    repair = TaskFactory(unit=part.unit, origin="call", reason="panel stiff", work="")
    CallFactory(site=part.unit.site, unit=part.unit, task=repair, reported_at=NOON - timedelta(days=2))
    for task in (maintenance, repair):
        visit.visit_tasks.create(task=task)
        MaintenanceTask.objects.filter(pk=task.pk).update(state="in-process")
    return visit


def tasks_by_origin(visit: Visit) -> dict[str, MaintenanceTask]:
    return {entry.task.origin: entry.task for entry in visit.visit_tasks.select_related("task")}


def test_done_work_moves_the_care_on_and_closes_the_call(as_technician: Client, visit: Visit) -> None:
    tasks = tasks_by_origin(visit)
    call = Call.objects.get()
    for question in SafetyAnswer.Question.values:
        call.safety_answers.create(question=question, answer="no")
    page = as_technician.get(f"/visits/{visit.pk}/finish/").content.decode()
    assert "panel stiff" in page
    answer = as_technician.post(
        f"/visits/{visit.pk}/finish/",
        {
            "ended_at": "12:00",
            f"task_{tasks['care'].pk}": "done",
            f"minutes_{tasks['care'].pk}": "25",
            f"task_{tasks['call'].pk}": "done",
        },
    )
    assert answer.status_code == 302
    work = Work.objects.get()
    assert (work.kind, work.minutes, work.done_on) == ("lubricated", 25, date(2026, 5, 4))
    due = NextDue.objects.get()
    assert (due.last_done_on, due.next_due_on) == (date(2026, 5, 4), date(2027, 5, 4))
    assert Call.objects.get().state == "completed"
    visit.refresh_from_db()
    assert visit.finished_at == NOON
    assert {task.state for task in MaintenanceTask.objects.all()} == {"completed"}


def test_what_was_not_done_goes_back_on_the_list_and_moves_nothing(
    as_technician: Client, visit: Visit
) -> None:
    tasks = tasks_by_origin(visit)
    as_technician.post(
        f"/visits/{visit.pk}/finish/",
        {
            "ended_at": "12:00",
            f"task_{tasks['care'].pk}": "too_cold",
            f"task_{tasks['call'].pk}": "part_missing",
            f"until_{tasks['call'].pk}": "2027-01-10",
        },
    )
    assert NextDue.objects.get().next_due_on == date(2026, 3, 1)
    assert not Work.objects.exists()
    tasks = tasks_by_origin(visit)
    assert (tasks["care"].state, tasks["care"].not_done) == ("needs-action", "too_cold")
    assert (tasks["call"].waiting_for, tasks["call"].waiting_until) == ("part", date(2027, 1, 10))
    assert Call.objects.get().is_open


def test_a_call_with_a_question_never_asked_stays_open_and_says_why(
    as_technician: Client, visit: Visit
) -> None:
    tasks = tasks_by_origin(visit)
    Call.objects.get().safety_answers.create(question="fall_risk", answer="")
    answer = as_technician.post(
        f"/visits/{visit.pk}/finish/",
        {
            "ended_at": "12:00",
            f"task_{tasks['care'].pk}": "done",
            f"task_{tasks['call'].pk}": "done",
        },
        follow=True,
    )
    assert "stays open" in answer.content.decode()
    assert Call.objects.get().is_open
    assert tasks_by_origin(visit)["call"].state == "completed"


def test_a_danger_is_not_finished_before_somebody_says_what_made_it_safe(
    as_technician: Client, visit: Visit
) -> None:
    tasks = tasks_by_origin(visit)
    Call.objects.get().safety_answers.create(question="fall_risk", answer="yes")
    repair = tasks["call"].pk
    entries = {"ended_at": "12:00", f"task_{tasks['care'].pk}": "done", f"task_{repair}": "done"}
    address = f"/visits/{visit.pk}/finish/"
    assert "What made it safe" in as_technician.get(address).content.decode()
    answer = as_technician.post(address, entries)
    assert answer.status_code == 422
    assert "A danger was reported here. Say what made it safe" in answer.content.decode()
    assert not Work.objects.exists()
    assert (
        as_technician.post(address, {**entries, f"safe_{Call.objects.get().pk}": "new pins"}).status_code
        == 302
    )
    assert Call.objects.get().state == "completed"
    assert SafetyAnswer.objects.get().made_safe_how == "new pins"


def test_what_was_made_safe_but_not_repaired_comes_back_as_work_for_the_week(
    as_technician: Client, visit: Visit
) -> None:
    tasks = tasks_by_origin(visit)
    Call.objects.get().safety_answers.create(question="fall_risk", answer="yes")
    repair = tasks["call"].pk
    Call.objects.update(urgency="make_safe")
    MaintenanceTask.objects.filter(pk=repair).update(priority=1)
    entries = {
        "ended_at": "12:00",
        f"task_{tasks['care'].pk}": "done",
        f"task_{repair}": "part_missing",
    }
    as_technician.post(
        f"/visits/{visit.pk}/finish/", {**entries, f"safe_{Call.objects.get().pk}": "boarded up"}
    )
    call = Call.objects.get()
    assert (call.urgency, call.danger_stands, call.is_open) == ("this_week", False, True)
    task = tasks_by_origin(visit)["call"]
    assert (task.priority, task.state) == (4, "needs-action")


def test_a_task_nobody_told_of_keeps_the_visit_open(as_technician: Client, visit: Visit) -> None:
    tasks = tasks_by_origin(visit)
    answer = as_technician.post(
        f"/visits/{visit.pk}/finish/", {"ended_at": "12:00", f"task_{tasks['care'].pk}": "done"}
    )
    assert answer.status_code == 422
    assert not Work.objects.exists()
    visit.refresh_from_db()
    assert visit.finished_at is None


def test_finishing_twice_records_the_work_once(as_technician: Client, visit: Visit) -> None:
    tasks = tasks_by_origin(visit)
    entries = {
        "ended_at": "12:00",
        f"task_{tasks['care'].pk}": "done",
        f"task_{tasks['call'].pk}": "no_access",
    }
    as_technician.post(f"/visits/{visit.pk}/finish/", entries)
    answer = as_technician.post(f"/visits/{visit.pk}/finish/", entries, follow=True)
    assert "This visit is finished" in answer.content.decode()
    assert Work.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_a_finish_that_is_cut_off_leaves_all_as_it_was(as_technician: Client, visit: Visit) -> None:
    """The last thing a finish does is closing calls; cut off there, the visit must not be finished either."""

    class PowerCut(BaseException):
        """Stands for the end of the process."""

    def cut(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        if sql.startswith('UPDATE "calls_call"'):
            raise PowerCut
        return execute(sql, params, many, context)

    call = Call.objects.get()
    for question in SafetyAnswer.Question.values:
        call.safety_answers.create(question=question, answer="no")
    entries = {"ended_at": "12:00"} | {f"task_{task.pk}": "done" for task in tasks_by_origin(visit).values()}
    with pytest.raises(PowerCut), connection.execute_wrapper(cut):
        as_technician.post(f"/visits/{visit.pk}/finish/", entries)
    visit.refresh_from_db()
    assert visit.finished_at is None
    assert not Work.objects.exists()
    assert {task.state for task in MaintenanceTask.objects.all()} == {"in-process"}
    assert as_technician.post(f"/visits/{visit.pk}/finish/", entries).status_code == 302
    assert Call.objects.get().state == "completed"
    assert Work.objects.count() == 1
