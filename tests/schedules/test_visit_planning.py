"""Planning visits from due work, and what two schedulers can not both plan."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from datetime import date, timedelta

import pytest
import time_machine
from django.test import Client

from schedules import operations
from schedules.models import MaintenanceTask, Visit
from servicedesk.accounts.models import User
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    NextDueFactory,
    OwnershipFactory,
    SiteFactory,
    UserFactory,
    VisitFactory,
)
from tests.schedules.planned_visits import AT, HOUR, NINE, at_site, filled_in, planned

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _today() -> Iterator[None]:
    with time_machine.travel(AT, tick=False):
        yield


def test_the_form_offers_what_the_site_needs_with_the_due_ticked(as_scheduler: Client) -> None:
    due = at_site(reason="Wash the film", due_on=date(2026, 4, 1), minutes=15)
    site = due.site
    call = at_site(site, reason="Panel stuck", origin="call", due_on=date(2026, 4, 26), minutes=40, persons=2)
    waits = at_site(site, reason="Replace key", waiting_for="part", waiting_until=date(2026, 6, 1))
    at_site(site, reason="Check sill", due_on=date(2026, 6, 1))
    at_site(reason="Not here")
    page = as_scheduler.get(f"/visits/plan/?site={site.pk}").content.decode()
    for task, ticked in ((due, True), (call, True), (waits, False)):
        assert (f'value="{task.pk}" checked' in page) == ticked
    assert "on hold for a part until Jun 1, 2026" in page
    assert "take about 1 h." in page
    assert "Check sill" in page
    assert "Not here" not in page


def test_a_visit_is_proposed_with_ticked_tasks_and_takes_their_usual_time(
    as_scheduler: Client, technician: User
) -> None:
    first = at_site(minutes=20)
    second, left = at_site(first.site, minutes=30), at_site(first.site)
    answer = as_scheduler.post(
        f"/visits/plan/?site={first.site_id}",
        filled_in(first, second, technicians=[technician.pk], note="Ladder"),
    )
    visit = Visit.objects.get()
    assert answer["Location"] == f"/visits/{visit.pk}/"
    assert (visit.state, visit.starts_at, visit.ends_at) == (
        "tentative",
        NINE,
        NINE + HOUR,
    )  # 50 min, rounded up
    assert (visit.zone, visit.place, visit.note, visit.sequence) == (
        "America/New_York",
        first.site.address,
        "Ladder",
        0,
    )
    assert list(visit.technicians.all()) == [technician]
    states = [MaintenanceTask.objects.get(pk=task.pk).state for task in (first, second, left)]
    assert states == ["in-process", "in-process", "needs-action"]
    assert Change.objects.about(visit).get().action == f"planned for {technician.name}"


def test_pressing_twice_makes_one_visit(as_scheduler: Client) -> None:
    task = at_site()
    form = filled_in(task)
    answers = [as_scheduler.post(f"/visits/plan/?site={task.site_id}", form) for _ in range(2)]
    assert answers[0]["Location"] == answers[1]["Location"]
    assert Visit.objects.count() == 1


def test_care_that_comes_due_soon_can_go_along(as_scheduler: Client) -> None:
    due = NextDueFactory(
        installed_part__unit__site__care_by="us", next_due_on=date(2026, 6, 10), rule__minutes=25
    )
    NextDueFactory(installed_part=due.installed_part, next_due_on=date(2026, 9, 10), rule__name="far away")
    site = due.installed_part.unit.site
    page = as_scheduler.get(f"/visits/plan/?site={site.pk}").content.decode()
    assert "do it on this visit?" in page
    assert "far away" not in page.lower()
    as_scheduler.post(f"/visits/plan/?site={site.pk}", filled_in(coming=[due.pk]))
    (taken,) = Visit.objects.get().visit_tasks.all()
    assert (taken.task.next_due, taken.task.due_on, taken.task.state) == (
        due,
        date(2026, 6, 10),
        "in-process",
    )
    assert operations.raise_due(date(2026, 6, 10), at=AT) == 0


def test_a_visit_without_tasks_says_what_it_is_for(as_scheduler: Client) -> None:
    site = SiteFactory()
    refused = as_scheduler.post(f"/visits/plan/?site={site.pk}", filled_in())
    assert "Check at least one task, or say in the note" in refused.content.decode()
    as_scheduler.post(f"/visits/plan/?site={site.pk}", filled_in(note="Measure the new porch"))
    assert Visit.objects.get().minutes == 15


def test_a_time_that_does_not_exist_is_refused_on_its_field(as_scheduler: Client) -> None:
    task = at_site()
    answer = as_scheduler.post(
        f"/visits/plan/?site={task.site_id}", filled_in(task, day="2027-03-14", time="02:30")
    )
    assert answer.status_code == 422
    assert "2:30 AM does not exist on March 14, 2027" in answer.content.decode()


def test_a_visit_over_the_changing_of_the_clocks_takes_the_minutes_it_says(as_scheduler: Client) -> None:
    task = at_site()
    as_scheduler.post(
        f"/visits/plan/?site={task.site_id}", filled_in(task, day="2026-11-01", time="00:30", minutes=120)
    )
    visit = Visit.objects.get()
    assert visit.ends_at - visit.starts_at == 2 * HOUR
    assert (f"{visit.local_start:%H:%M}", f"{visit.local_end:%H:%M}") == ("00:30", "01:30")


def test_the_past_is_refused_unless_it_is_recorded_afterward(as_scheduler: Client, technician: User) -> None:
    task = at_site()
    where, form = f"/visits/plan/?site={task.site_id}", filled_in(task, day="2026-04-17")
    assert "Check “It already took place”" in as_scheduler.post(where, form).content.decode()
    over = {**form, "idempotency_key": uuid.uuid4(), "already_over": "on"}
    assert "Say who was there." in as_scheduler.post(where, over).content.decode()
    over |= {"idempotency_key": uuid.uuid4(), "technicians": [technician.pk]}
    for _ in range(2):  # the second time as by a double click
        page = as_scheduler.post(where, over, follow=True).content.decode()
        assert "Recorded. Finish the visit" in page
        assert "Confirm it once" not in page
    assert Visit.objects.get().state == "confirmed"


def test_the_future_has_not_taken_place(as_scheduler: Client) -> None:
    task = at_site()
    answer = as_scheduler.post(f"/visits/plan/?site={task.site_id}", filled_in(task, already_over="on"))
    assert "still to come" in answer.content.decode()


@pytest.mark.parametrize("minutes", [0, -5, 721])
def test_a_visit_takes_a_minute_to_twelve_hours(as_scheduler: Client, minutes: int) -> None:
    task = at_site()
    answer = as_scheduler.post(f"/visits/plan/?site={task.site_id}", filled_in(task, minutes=minutes))
    assert answer.status_code == 422
    assert not Visit.objects.exists()


def test_what_was_ticked_stays_ticked_when_the_form_comes_back(as_scheduler: Client) -> None:
    first = at_site()
    second = at_site(first.site)
    answer = as_scheduler.post(f"/visits/plan/?site={first.site_id}", filled_in(second, day=""))
    page = answer.content.decode()
    assert f'value="{second.pk}" checked' in page
    assert f'value="{first.pk}" checked' not in page


def test_three_people_are_too_many_and_one_who_left_can_not_go() -> None:
    people = [UserFactory() for _ in range(3)]
    with pytest.raises(RuleViolation, match="One or two people"):
        planned(at_site(), *people)
    left = UserFactory(is_active=False)
    with pytest.raises(RuleViolation, match="does not work here any more"):
        planned(at_site(), left)


def test_planning_begins_with_the_site(as_scheduler: Client) -> None:
    site = OwnershipFactory(customer__name="Ada Probeson", site__address="7 Heron Road").site
    SiteFactory(address="8 Quay Road")
    page = as_scheduler.get("/visits/plan/", {"q": "probeson"}).content.decode()
    assert f"/visits/plan/?site={site.pk}" in page
    assert "8 Quay Road" not in page
    assert "No site matches" in as_scheduler.get("/visits/plan/", {"q": "zzz"}).content.decode()
    assert as_scheduler.get("/visits/plan/?site=99999").status_code == 404


def test_the_form_shows_what_is_planned_already(as_scheduler: Client, technician: User) -> None:
    planned(at_site(), technician, starts_at=AT + timedelta(days=3))
    page = as_scheduler.get(f"/visits/plan/?site={SiteFactory().pk}").content.decode()
    assert "Planned in the next two weeks" in page
    assert technician.name in page


# --- two at once ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("starts", "refused"),
    [(-60, False), (-59, True), (0, True), (30, True), (59, True), (60, False)],
)
def test_nobody_is_at_two_places_at_once(technician: User, starts: int, refused: bool) -> None:
    first = planned(at_site(), technician)
    other = at_site()
    start = NINE + timedelta(minutes=starts)
    if not refused:
        planned(other, technician, starts_at=start)
        return
    with pytest.raises(RuleViolation) as told_no:
        planned(other, UserFactory(), technician, starts_at=start)
    (reason,) = told_no.value.reasons["technicians"]
    assert reason == (
        f"{technician.name} is at {first.site.address} on May 4 from 9:00 AM to 10:00 AM: "
        "choose another time or somebody else."
    )


def test_cancelled_and_finished_visits_and_other_people_leave_the_time_free(technician: User) -> None:
    operations.cancel_visit(planned(at_site(), technician), why="customer away", by=None, at=AT)
    VisitFactory(starts_at=NINE, finished_at=NINE).technicians.add(technician)
    planned(at_site(), UserFactory())
    assert planned(at_site(), technician).pk


def test_a_task_goes_along_on_one_visit_only(as_scheduler: Client) -> None:
    task = at_site(reason="Wash the film")
    planned(task)
    answer = as_scheduler.post(f"/visits/plan/?site={task.site_id}", filled_in(task, day="2026-05-05"))
    assert answer.status_code == 422
    assert "“Wash the film” is on another visit already on May 4, 9:00 AM" in answer.content.decode()
    assert Visit.objects.count() == 1


@pytest.mark.parametrize("state", ["completed", "cancelled"])
def test_a_task_that_ended_meanwhile_is_refused_with_what_became_of_it(
    as_scheduler: Client, state: str
) -> None:
    task = at_site(state=state, done_on=date(2026, 4, 1))
    page = as_scheduler.post(f"/visits/plan/?site={task.site_id}", filled_in(task)).content.decode()
    assert f"is {MaintenanceTask.State(state).label} already" in page


def test_tasks_of_another_site_are_refused() -> None:
    task = at_site()
    with pytest.raises(RuleViolation, match="another site"):
        operations.plan_visit(SiteFactory(), starts_at=NINE, tasks=[task], by=None, at=AT)
