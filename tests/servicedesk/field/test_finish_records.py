"""Work, care and finishing a visit, sent by a phone that may not know what changed meanwhile."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone

from schedules.models import MaintenanceTask, NextDue, Visit, VisitTask
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, PhoneRecord, SafetyAnswer, Work
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    FailureModeFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)
from tests.schedules.planned_visits import told as words_of
from tests.servicedesk.field.test_inbox import send
from units.models import FailureMode, InstalledPart, Unit

pytestmark = pytest.mark.django_db


@pytest.fixture
def visit(technician: User) -> Visit:
    """A visit of today with two care tasks at one unit and a repair that somebody called about."""
    part = InstalledPartFactory(unit=UnitFactory(panels=3), pieces=3)
    now = timezone.now()
    visit: Visit = VisitFactory(
        site=part.unit.site, state="confirmed", starts_at=now - timedelta(hours=2), ends_at=now
    )
    visit.technicians.add(technician)
    for work in ("lubricated", "cleaned"):
        rule = MaintenanceRuleFactory(component_type=part.component_type, work=work)
        due = NextDueFactory(installed_part=part, rule=rule)
        add(
            visit,
            TaskFactory(unit=part.unit, installed_part=part, next_due=due, work=work, state="in-process"),
        )
    repair = add(visit, TaskFactory(unit=part.unit, origin="call", work="", state="in-process"))
    call = CallFactory(site=part.unit.site, unit=part.unit, task=repair)
    for question in SafetyAnswer.Question.values:
        call.safety_answers.create(question=question, answer="no")
    return visit


def add(visit: Visit, task: MaintenanceTask) -> MaintenanceTask:
    """Put a task on a visit."""
    visit.visit_tasks.create(task=task)
    return task


def frame(kind: str, **body: Any) -> dict[str, Any]:
    """Make a record as a phone does."""
    now = timezone.now().isoformat()
    return {"key": str(uuid4()), "kind": kind, "made_at": now, "sent_at": now, "body": body}


def finishing(visit: Visit, **changes: Any) -> dict[str, Any]:
    """Make the record of a finished visit: every task that the phone shows preset as done."""
    tasks = {f"task_{entry.task_id}": "done" for entry in visit.visit_tasks.all()}
    return frame("finish", visit=visit.pk, **{**tasks, **changes})


def tasks_of(visit: Visit) -> list[MaintenanceTask]:
    """The tasks of a visit: two of care and a repair."""
    return [entry.task for entry in visit.visit_tasks.select_related("task").order_by("pk")]


def test_all_done_ends_the_visit_its_care_and_its_call_once(as_technician: Client, visit: Visit) -> None:
    sent = finishing(visit, note="left the key with the neighbor")
    first, again = send(as_technician, sent), send(as_technician, sent)
    assert first.status_code == 200, first.json()
    assert first.json() == again.json()
    assert "3 tasks done, 0 not done" in first.json()["words"]
    visit.refresh_from_db()
    assert visit.finished_at is not None
    assert visit.note == "left the key with the neighbor"
    assert sorted(Work.objects.values_list("kind", flat=True)) == ["cleaned", "lubricated"]
    assert Call.objects.get().state == "completed"
    assert {due.last_done_on for due in NextDue.objects.all()} == {timezone.localdate()}
    assert PhoneRecord.objects.get().look_at == ""


def test_exceptions_say_why_and_which_part_and_how_many(
    as_technician: Client, as_scheduler: Client, visit: Visit
) -> None:
    maintenance, other, repair = tasks_of(visit)
    changes = {
        f"task_{other.pk}": "too_cold",
        f"task_{repair.pk}": "part_missing",
        f"part_{repair.pk}": "corner key",
        f"pieces_{repair.pk}": "4",
    }
    assert send(as_technician, finishing(visit, **changes)).status_code == 200
    entry = VisitTask.objects.get(task=repair)
    assert (entry.why_not, entry.needs) == ("part_missing", "4 × corner key")
    repair.refresh_from_db()
    assert (repair.state, repair.waiting_for) == ("needs-action", "part")
    assert repair.waiting_until == timezone.localdate() + timedelta(days=14)
    assert Call.objects.get().is_open
    assert MaintenanceTask.objects.get(pk=maintenance.pk).state == "completed"
    assert MaintenanceTask.objects.get(pk=other.pk).not_done == "too_cold"
    assert "4 × corner key" in words_of(as_scheduler.get(f"/visits/{visit.pk}/").content)


def test_a_danger_is_made_safe_with_the_visit_or_stays_open(as_technician: Client, visit: Visit) -> None:
    danger = SafetyAnswer.objects.get(question="fall_risk")
    danger.answer = "yes"
    danger.save()
    answer = send(as_technician, finishing(visit, **{f"safe_{danger.call_id}": "opening boarded"}))
    assert answer.status_code == 200
    danger.refresh_from_db()
    assert (danger.made_safe_how, danger.made_safe_at is not None) == ("opening boarded", True)
    assert Call.objects.get().state == "completed"


def test_a_danger_nobody_made_safe_keeps_the_call_open_and_is_told(
    as_technician: Client, visit: Visit
) -> None:
    SafetyAnswer.objects.filter(question="fall_risk").update(answer="yes")
    answer = send(as_technician, finishing(visit))
    assert "stays open" in answer.json()["words"]
    assert "say what made it safe" in answer.json()["words"]
    assert Call.objects.get().is_open


def test_a_finished_visit_finished_again_is_flagged_and_not_doubled(
    as_technician: Client, as_scheduler: Client, visit: Visit
) -> None:
    send(as_technician, finishing(visit))
    again = send(as_technician, finishing(visit, note="second phone"))
    assert again.status_code == 200
    assert "finished already" in again.json()["words"]
    assert Work.objects.count() == 2
    assert "second phone" in words_of(as_scheduler.get("/").content)


def test_a_visit_cancelled_meanwhile_stores_what_was_done_and_is_flagged(
    as_technician: Client, as_scheduler: Client, visit: Visit
) -> None:
    sent = finishing(visit)
    Visit.objects.filter(pk=visit.pk).update(state="cancelled")
    MaintenanceTask.objects.update(state="needs-action")
    assert send(as_technician, sent).status_code == 200
    assert Work.objects.count() == 2
    assert Call.objects.get().state == "completed"
    assert {task.state for task in MaintenanceTask.objects.all()} == {"completed"}
    visit.refresh_from_db()
    assert (visit.state, visit.finished_at) == ("cancelled", None)
    assert "visit that was canceled meanwhile" in words_of(as_scheduler.get("/").content)


def test_a_task_the_phone_never_showed_goes_back_on_the_list(
    as_technician: Client, as_scheduler: Client, visit: Visit
) -> None:
    sent = finishing(visit)
    late = add(
        visit, TaskFactory(unit=UnitFactory(site=visit.site), reason="added at noon", state="in-process")
    )
    assert send(as_technician, sent).status_code == 200
    late.refresh_from_db()
    assert late.state == "needs-action"
    assert "“added at noon” was not on the phone" in words_of(as_scheduler.get("/").content)


def test_a_task_moved_to_another_visit_that_was_done_all_the_same_counts(
    as_technician: Client, visit: Visit
) -> None:
    sent, (maintenance, *_) = finishing(visit), tasks_of(visit)
    VisitTask.objects.filter(task=maintenance).update(visit=VisitFactory(site=visit.site))
    assert send(as_technician, sent).status_code == 200
    maintenance.refresh_from_db()
    assert maintenance.state == "completed"
    assert "not on the visit any more" in PhoneRecord.objects.get().look_at


def test_a_visit_ends_at_the_time_that_was_given_on_its_own_day(as_technician: Client, visit: Visit) -> None:
    begun = timezone.now().replace(hour=15, minute=0, second=0, microsecond=0) - timedelta(days=2)
    Visit.objects.filter(pk=visit.pk).update(starts_at=begun, ends_at=begun + timedelta(hours=1))
    day = timezone.localdate(begun)
    assert send(as_technician, finishing(visit, ended_at="11:30")).status_code == 200
    visit.refresh_from_db()
    assert timezone.localtime(visit.finished_at).strftime("%Y-%m-%d %H:%M") == f"{day} 11:30"
    assert set(Work.objects.values_list("done_on", flat=True)) == {day}


def test_care_of_a_unit_counts_once_also_when_the_visit_is_finished_later(
    as_technician: Client, visit: Visit
) -> None:
    maintenance, other, _ = tasks_of(visit)
    sent = frame("care", unit=maintenance.unit_id, visit=visit.pk, tasks=[str(maintenance.pk)])
    for _ in range(2):
        assert send(as_technician, sent).status_code == 200
    assert Work.objects.get().task == maintenance
    assert send(as_technician, finishing(visit)).status_code == 200
    assert Work.objects.count() == 2
    assert PhoneRecord.objects.exclude(look_at="").count() == 0
    again = send(as_technician, frame("care", unit=maintenance.unit_id, tasks=[maintenance.pk, other.pk]))
    assert "2 done already" in again.json()["words"]
    assert Work.objects.count() == 2


def test_care_recorded_yesterday_moves_the_due_date_from_yesterday(
    as_technician: Client, visit: Visit
) -> None:
    maintenance = tasks_of(visit)[0]
    sent = frame("care", unit=maintenance.unit_id, tasks=[maintenance.pk])
    sent["made_at"] = (timezone.now() - timedelta(days=1)).isoformat()
    send(as_technician, sent)
    yesterday = timezone.localdate() - timedelta(days=1)
    assert NextDue.objects.get(tasks=maintenance).last_done_on == yesterday
    assert Work.objects.get().done_on == yesterday


def test_pieces_replaced_by_others_like_them(as_technician: Client, visit: Visit) -> None:
    part = InstalledPart.objects.get()
    sent = frame(
        "work", unit=part.unit_id, work="replaced", installed_part=part.pk, pieces="2", note="both brittle"
    )
    assert send(as_technician, sent).status_code == 200
    work = Work.objects.get()
    assert (work.kind, work.pieces, work.installed_part, work.note) == ("replaced", 2, part, "both brittle")
    assert InstalledPart.objects.get().removed_on is None


def test_a_set_replaced_by_another_type_changes_the_parts_in_place(
    as_technician: Client, visit: Visit
) -> None:
    part = InstalledPart.objects.get()
    other = ComponentTypeFactory(kind=part.kind, name="other track")
    sent = frame(
        "work",
        unit=part.unit_id,
        work="replaced",
        installed_part=part.pk,
        extent="set",
        component_type=other.pk,
        pieces="3",
    )
    for _ in range(2):
        assert send(as_technician, sent).status_code == 200
    new = InstalledPart.objects.in_place().get()
    assert (new.component_type, new.pieces, new.fitted_on) == (other, 3, timezone.localdate())
    assert Work.objects.get().whole_set


def test_replaced_with_a_finding_counts_pieces(as_technician: Client, unit_with_mode: Unit) -> None:
    body = {"unit": unit_with_mode.pk, "mode": FailureMode.objects.get().pk, "severity": "hinders"}
    sent = frame("finding", **body, works=["replaced"], pieces=2)
    assert send(as_technician, sent).status_code == 200
    assert (Work.objects.get().kind, Work.objects.get().pieces) == ("replaced", 2)


@pytest.fixture
def unit_with_mode() -> Unit:
    """A unit with a track that can bind."""
    unit: Unit = UnitFactory()
    InstalledPartFactory(unit=unit, component_type=ComponentTypeFactory(kind="track"))
    FailureModeFactory(kind="track", name="binds", code="TRK-01")
    return unit
