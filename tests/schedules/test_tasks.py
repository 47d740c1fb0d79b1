"""Single tasks: how they come, wait and end, and their pages."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from schedules import operations
from schedules.models import MaintenanceTask, VisitTask
from servicedesk.accounts.models import User
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    InstalledPartFactory,
    NextDueFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
TODAY = date(2026, 5, 4)


def added(**fields: Any) -> MaintenanceTask:
    """Put a repair on the list."""
    unit = fields.pop("unit", None) or UnitFactory()
    defaults = {
        "unit": unit,
        "origin": "call",
        "reason": "Panel will not stay up",
        "priority": 1,
        "minutes": 40,
        "due_on": TODAY,
        "by": None,
        "at": AT,
    }
    return operations.add_task(fields.pop("site", unit.site), **{**defaults, **fields})


def test_a_task_is_put_on_the_list_with_its_history() -> None:
    installed_part = InstalledPartFactory()
    task = added(unit=installed_part.unit, installed_part=installed_part, work="repaired", persons=2)
    assert (task.state, task.site, task.persons, task.work) == (
        "needs-action",
        installed_part.unit.site,
        2,
        "repaired",
    )
    assert Change.objects.about(task).get().action == "put on the list of work"


def test_a_task_of_a_site_needs_no_unit() -> None:
    site = SiteFactory()
    task = operations.add_task(
        site, unit=None, origin="call", reason="x" * 400, priority=4, minutes=15, due_on=TODAY, by=None, at=AT
    )
    assert (task.unit, len(task.reason)) == (None, 240)


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"priority": 0}, "Priority runs from 1"),
        ({"persons": 3}, "one or two people"),
        ({"origin": "whim"}, "not a valid choice"),
    ],
)
def test_a_task_that_can_not_be_is_refused(fields: dict[str, Any], reason: str) -> None:
    with pytest.raises(RuleViolation, match=reason):
        added(**fields)


def test_a_task_stays_with_its_site_and_unit() -> None:
    with pytest.raises(RuleViolation, match="another site"):
        added(site=SiteFactory())
    with pytest.raises(RuleViolation, match="another unit"):
        added(installed_part=InstalledPartFactory())


def test_a_task_waits_until_a_day_and_goes_on() -> None:
    task = operations.let_task_wait(TaskFactory(), waiting_for="part", until=date(2026, 6, 1), by=None, at=AT)
    assert (task.waiting_for, task.waiting_until) == ("part", date(2026, 6, 1))
    assert not MaintenanceTask.objects.unplanned().due(date(2026, 5, 31)).exists()
    assert MaintenanceTask.objects.unplanned().due(date(2026, 6, 1)).exists()
    task = operations.stop_waiting(task, by=None, at=AT)
    assert (task.waiting_for, task.waiting_until) == ("", None)
    actions = list(Change.objects.about(task).order_by("pk").values_list("action", flat=True))
    assert actions == ["on hold for a part until June 1, 2026", "resumed"]
    operations.stop_waiting(task, by=None, at=AT)
    assert Change.objects.about(task).count() == 2


@pytest.mark.parametrize(
    ("waiting_for", "until", "reason"),
    [
        ("", date(2026, 6, 1), "whom or what"),
        ("rain", date(2026, 6, 1), "whom or what"),
        ("part", date(2026, 5, 3), "over"),
    ],
)
def test_waiting_for_nothing_or_for_yesterday_is_refused(waiting_for: str, until: date, reason: str) -> None:
    with pytest.raises(RuleViolation, match=reason):
        operations.let_task_wait(TaskFactory(), waiting_for=waiting_for, until=until, by=None, at=AT)


def test_done_is_done_once() -> None:
    task = operations.complete_task(TaskFactory(origin="call"), on=date(2026, 5, 2), by=None, at=AT)
    again = operations.complete_task(task, on=date(2026, 5, 3), by=None, at=AT)
    assert (again.state, again.done_on) == ("completed", date(2026, 5, 2))
    assert Change.objects.about(task).count() == 1


def test_done_tomorrow_is_refused() -> None:
    with pytest.raises(RuleViolation, match="still to come"):
        operations.complete_task(TaskFactory(), on=date(2026, 5, 5), by=None, at=AT)


def test_what_is_over_can_not_end_the_other_way() -> None:
    done, cancelled = TaskFactory(state="completed", done_on=TODAY), TaskFactory(state="cancelled")
    with pytest.raises(RuleViolation, match="done already"):
        operations.cancel_task(done, by=None, at=AT)
    with pytest.raises(RuleViolation, match="was canceled"):
        operations.complete_task(cancelled, on=TODAY, by=None, at=AT)
    with pytest.raises(RuleViolation, match="nothing can change"):
        operations.let_task_wait(done, waiting_for="part", until=TODAY, by=None, at=AT)
    assert operations.cancel_task(cancelled, by=None, at=AT).state == "cancelled"


def test_a_task_done_on_a_call_is_done_on_its_visit_too() -> None:
    task = TaskFactory(state="in-process", origin="call")
    visit = VisitFactory(site=task.site)
    VisitTask.objects.create(visit=visit, task=task)
    operations.complete_task(task, on=TODAY, by=None, at=AT)
    assert visit.visit_tasks.get().outcome == "done"


def test_care_done_on_an_earlier_day_than_recorded_moves_nothing_back() -> None:
    due = NextDueFactory(
        last_done_on=date(2026, 4, 2), counted_from=date(2026, 4, 2), next_due_on=date(2027, 4, 2)
    )
    task = TaskFactory(unit=due.installed_part.unit, next_due=due)
    operations.complete_task(task, on=date(2026, 1, 1), by=None, at=AT)
    due.refresh_from_db()
    assert (due.last_done_on, due.next_due_on) == (date(2026, 4, 2), date(2027, 4, 2))


def test_care_taken_along_early_becomes_one_task() -> None:
    due = NextDueFactory(rule__name="wash the film", next_due_on=date(2026, 6, 20))
    task = operations.raise_early(due, by=None, at=AT)
    assert (task.due_on, task.reason) == (date(2026, 6, 20), "Wash the film: never recorded as done")
    assert operations.raise_early(due, by=None, at=AT) == task


# --- pages ----------------------------------------------------------------------------------------------


def test_the_page_of_a_task_says_why_it_is_there_and_what_became_of_it(as_technician: Client) -> None:
    due = NextDueFactory(rule__note="Wet the nest first.\nThen wipe.")
    task = TaskFactory(
        unit=due.installed_part.unit,
        next_due=due,
        installed_part=due.installed_part,
        not_done="too_cold",
        persons=2,
    )
    visit = VisitFactory(site=task.site)
    VisitTask.objects.create(visit=visit, task=task, outcome="not_done", why_not="too_cold")
    page = as_technician.get(f"/tasks/{task.pk}/").content.decode()
    for text in [
        "Wet the nest first.",
        "too cold for the vinyl",
        "two people",
        "maintenance",
        "May 4, 2026, 9:00 AM",
    ]:
        assert text in page
    assert "Put on hold" not in page


def test_a_scheduler_lets_a_task_wait_and_go_on(as_scheduler: Client, scheduler: User) -> None:
    task = TaskFactory()
    until = timezone.localdate() + timedelta(days=9)
    answer = as_scheduler.post(
        f"/tasks/{task.pk}/wait/", {"waiting_for": "maker", "until": until.isoformat()}
    )
    assert answer["Location"] == f"/tasks/{task.pk}/"
    task.refresh_from_db()
    assert (task.waiting_for, task.waiting_until) == ("maker", until)
    assert "Resume" in as_scheduler.get(f"/tasks/{task.pk}/").content.decode()
    as_scheduler.post(f"/tasks/{task.pk}/go-on/")
    task.refresh_from_db()
    assert task.waiting_for == ""
    assert {change.by for change in Change.objects.about(task)} == {scheduler}


def test_a_refusal_comes_back_on_the_form(as_scheduler: Client) -> None:
    task = TaskFactory()
    answer = as_scheduler.post(f"/tasks/{task.pk}/wait/", {"waiting_for": "part", "until": "2020-01-01"})
    assert answer.status_code == 422
    assert "That day is over" in answer.content.decode()


def test_a_scheduler_cancels_with_a_reason_that_stays(as_scheduler: Client) -> None:
    task = TaskFactory()
    assert as_scheduler.post(f"/tasks/{task.pk}/cancel/", {"why": ""}).status_code == 422
    as_scheduler.post(f"/tasks/{task.pk}/cancel/", {"why": "unit was sold"})
    task.refresh_from_db()
    assert task.state == "cancelled"
    assert "canceled: unit was sold" in as_scheduler.get(f"/tasks/{task.pk}/").content.decode()


def test_a_scheduler_notes_work_done_outside_of_a_visit(as_scheduler: Client) -> None:
    due = NextDueFactory()
    task = TaskFactory(unit=due.installed_part.unit, next_due=due)
    assert "comes due again" in as_scheduler.get(f"/tasks/{task.pk}/done/").content.decode()
    as_scheduler.post(f"/tasks/{task.pk}/done/", {"on": "2026-04-30"})
    due.refresh_from_db()
    assert due.last_done_on == date(2026, 4, 30)


def test_going_on_with_a_task_that_is_over_says_so(as_scheduler: Client) -> None:
    task = TaskFactory(state="completed", done_on=TODAY)
    answer = as_scheduler.post(f"/tasks/{task.pk}/go-on/", follow=True)
    assert "nothing can change on it any more" in answer.content.decode()
    assert as_scheduler.get(f"/tasks/{task.pk}/go-on/").status_code == 405


@pytest.mark.parametrize("what", ["wait", "cancel", "done", "go-on"])
def test_technicians_do_not_change_the_list(as_technician: Client, what: str) -> None:
    task = TaskFactory()
    assert as_technician.post(f"/tasks/{task.pk}/{what}/", {"why": "x"}).status_code == 403
