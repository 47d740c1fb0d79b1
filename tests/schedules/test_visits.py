"""One visit: its page, confirming, changing and cancelling it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from django.test import Client

from schedules import operations
from schedules.models import MaintenanceTask, VisitTask
from servicedesk.accounts.models import User
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    NextDueFactory,
    TaskFactory,
    UserFactory,
    VisitFactory,
)
from tests.schedules.planned_visits import AT, HOUR, NINE, at_site, filled_in, planned, told
from units.models import Site

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _today() -> Iterator[None]:
    with time_machine.travel(AT, tick=False):
        yield


def test_the_page_of_a_visit_shows_what_to_know_and_what_comes_next(
    as_scheduler: Client, technician: User
) -> None:
    due = NextDueFactory(rule__note="Thin silicone only.")
    task = TaskFactory(unit=due.installed_part.unit, next_due=due, reason="Lubricate the track", persons=2)
    Site.objects.filter(pk=task.site_id).update(access_notes="Gate code 4711")
    visit = planned(task, technician, note="Bring the ladder")
    page = told(as_scheduler.get(f"/visits/{visit.pk}/").content)
    for text in [
        "Monday, May 4, 9:00 AM",
        "Proposed, about 1 h",
        "Gate code 4711",
        "Bring the ladder",
        "Lubricate the track",
        "Thin silicone only.",
        "A task needs two people; only one is named.",
        "Confirm visit",
    ]:
        assert text in page


def test_a_technician_opens_the_visit_and_can_finish_but_not_change_it(
    as_technician: Client, technician: User
) -> None:
    visit = planned(at_site(), technician)
    page = as_technician.get(f"/visits/{visit.pk}/").content.decode()
    assert f"/visits/{visit.pk}/finish/" in page
    for what in ("change", "confirm", "cancel"):
        assert f"/visits/{visit.pk}/{what}/" not in page
        assert as_technician.post(f"/visits/{visit.pk}/{what}/", {"why": "x"}).status_code == 403
    assert as_technician.get("/visits/plan/").status_code == 403


def test_confirming_takes_somebody_to_go(as_scheduler: Client, technician: User) -> None:
    visit = planned(at_site())
    assert "Choose who goes" in as_scheduler.get(f"/visits/{visit.pk}/").content.decode()
    answer = as_scheduler.post(f"/visits/{visit.pk}/confirm/", follow=True)
    assert "Nobody is named for this visit yet" in answer.content.decode()
    visit.technicians.add(technician)
    as_scheduler.post(f"/visits/{visit.pk}/confirm/")
    visit.refresh_from_db()
    assert (visit.state, visit.sequence, visit.changed_at) == ("confirmed", 1, AT)
    as_scheduler.post(f"/visits/{visit.pk}/confirm/")
    visit.refresh_from_db()
    assert visit.sequence == 1
    assert as_scheduler.get(f"/visits/{visit.pk}/confirm/").status_code == 405


def test_a_visit_is_moved_with_other_people_and_tasks(as_scheduler: Client, technician: User) -> None:
    first = at_site()
    second = at_site(first.site)
    visit = planned(first, technician)
    other = UserFactory()
    other.groups.add(technician.groups.get())
    form = as_scheduler.get(f"/visits/{visit.pk}/change/").content.decode()
    assert 'value="2026-05-04"' in form
    assert 'value="09:00"' in form
    as_scheduler.post(
        f"/visits/{visit.pk}/change/",
        filled_in(second, day="2026-05-05", time="10:30", minutes=45, technicians=[technician.pk, other.pk]),
    )
    visit.refresh_from_db()
    assert (f"{visit.local_start:%d %H:%M}", visit.minutes, visit.sequence) == ("05 10:30", 45, 1)
    assert set(visit.technicians.all()) == {technician, other}
    assert [taken.task for taken in visit.visit_tasks.all()] == [second]
    states = [MaintenanceTask.objects.get(pk=task.pk).state for task in (first, second)]
    assert states == ["needs-action", "in-process"]
    assert "will go" in Change.objects.about(visit).for_page()[0].action


@pytest.mark.parametrize(
    ("fields", "steps"),
    [
        ({}, 0),
        ({"note": "Bring the ladder"}, 0),
        ({"minutes": 90}, 1),
        ({"starts_at": NINE + HOUR}, 1),
    ],
)
def test_the_sequence_counts_changes_of_time_only(
    technician: User, fields: dict[str, Any], steps: int
) -> None:
    # RFC 5545 section 3.8.7.4: the organizer counts significant changes.
    visit = planned(at_site(), technician)
    later = AT + HOUR
    told_now: dict[str, Any] = {"starts_at": NINE, "minutes": 60, "note": "", **fields}
    visit = operations.change_visit(
        visit,
        technicians=[technician],
        tasks=[taken.task for taken in visit.visit_tasks.all()],
        by=None,
        at=later,
        **told_now,
    )
    assert (visit.sequence, visit.changed_at) == (steps, later)


def test_a_visit_can_not_be_moved_into_the_past_or_emptied_of_people(
    as_scheduler: Client, technician: User
) -> None:
    task = at_site()
    visit = planned(task, technician)
    operations.confirm_visit(visit, by=None, at=AT)
    where = f"/visits/{visit.pk}/change/"
    past = as_scheduler.post(where, filled_in(task, day="2026-04-17", technicians=[technician.pk]))
    assert "can only be moved to a time to come" in past.content.decode()
    assert "Somebody must go" in as_scheduler.post(where, filled_in(task)).content.decode()


def test_a_visit_may_keep_its_own_time_and_people(technician: User) -> None:
    visit = planned(at_site(), technician)
    operations.change_visit(
        visit,
        starts_at=NINE + HOUR / 2,
        minutes=60,
        technicians=[technician],
        tasks=[],
        note="x",
        by=None,
        at=AT,
    )


def test_cancelling_puts_the_tasks_back_and_needs_a_reason(as_scheduler: Client, technician: User) -> None:
    task = at_site()
    visit = planned(task, technician)
    assert as_scheduler.post(f"/visits/{visit.pk}/cancel/", {"why": ""}).status_code == 422
    as_scheduler.post(f"/visits/{visit.pk}/cancel/", {"why": "customer away"})
    visit.refresh_from_db()
    task.refresh_from_db()
    assert (visit.state, visit.sequence, task.state) == ("cancelled", 1, "needs-action")
    page = as_scheduler.get(f"/visits/{visit.pk}/").content.decode()
    assert "canceled: customer away" in page
    assert "Confirm visit" not in page


def test_what_is_over_stays_as_it_is() -> None:
    cancelled = VisitFactory(state="cancelled")
    finished = VisitFactory(finished_at=NINE, state="confirmed")
    assert operations.cancel_visit(cancelled, why="", by=None, at=AT) == cancelled
    with pytest.raises(RuleViolation, match="was canceled"):
        operations.confirm_visit(cancelled, by=None, at=AT)
    with pytest.raises(RuleViolation, match="is finished"):
        operations.cancel_visit(finished, why="x", by=None, at=AT)
    assert VisitTask.objects.count() == 0


def test_a_visit_whose_tasks_all_ended_says_so(as_scheduler: Client) -> None:
    task = at_site()
    visit = planned(task)
    operations.cancel_task(task, by=None, at=AT)
    page = as_scheduler.get(f"/visits/{visit.pk}/").content.decode()
    assert "None of its tasks is open any more" in page
