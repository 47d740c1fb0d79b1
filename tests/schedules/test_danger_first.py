"""What is to be made safe comes first, marked with a word, wherever a visit is shown."""

from __future__ import annotations

from datetime import timedelta

import icalendar
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from schedules.calendars.feeds import todo_feed, visit_event, visits_feed
from schedules.models import MaintenanceTask, Notification, NotificationKind, Visit
from schedules.notifications.render import fill_in
from servicedesk.accounts.models import User
from tests.factories import CustomerFactory, OwnershipFactory, SiteFactory
from tests.schedules.ical_linter import lint
from tests.schedules.planned_visits import at_site, planned, told

pytestmark = pytest.mark.django_db

DANGER = "Customer called: panel falls out or comes loose"


@pytest.fixture
def visit(technician: User) -> Visit:
    """A visit of the technician later today with twelve tasks of care and, taken along last, a danger."""
    site = SiteFactory(address="14 Maple Bend")
    maintenance = [at_site(site) for _ in range(12)]
    danger = at_site(site, reason=DANGER, priority=1, origin="call")
    at = timezone.now()
    noon = timezone.localtime().replace(hour=12, minute=0, second=0, microsecond=0)
    if noon < at:
        at = noon - timedelta(hours=1)
    return planned(danger, technician, starts_at=noon, tasks=[*maintenance, danger], at=at)


def addresses(visit: Visit, person: User) -> list[str]:
    """List the pages on which a visit is shown with what is done there."""
    day = visit.local_start.date().isoformat()
    return [f"/routes/{person.pk}/{day}/", visit.get_absolute_url(), "/"]


def test_it_is_the_first_line_of_the_visit_the_round_and_the_day(
    as_technician: Client, technician: User, visit: Visit
) -> None:
    for address in addresses(visit, technician):
        page = told(as_technician.get(address).content)
        page = page[page.index("</h1>") :]
        assert page.index("MAKE SAFE") < page.index("Lubricate the track")
        assert page.index(DANGER) < page.index("Lubricate the track")
        assert page.count("MAKE SAFE") >= 2  # at the head of the page and at the task


def test_it_is_marked_in_the_lists_of_the_week(
    as_scheduler: Client, as_technician: Client, visit: Visit
) -> None:
    mark = '<strong class="alarmed">MAKE SAFE:</strong> 14 Maple Bend'
    week = visit.local_start.date().isoformat()
    routes = reverse("schedules:week_sheet")
    for address in (f"{routes}?week={week}", f"/visits/?week={week}&who=team"):
        assert mark in told(as_scheduler.get(address).content)
    assert "on no visit yet" not in told(as_scheduler.get(routes).content)
    other = at_site(SiteFactory(address="3 Unplanned Way"), reason=DANGER, priority=1)
    page, plan = told(as_scheduler.get(routes).content), reverse("schedules:plan_visit")
    page = page[page.index("</h1>") :]
    assert (
        page.index("MAKE SAFE first: not on a visit yet") < page.index("3 Unplanned Way") < page.index("<nav")
    )
    assert "MAKE SAFE" in told(as_scheduler.get(f"{plan}?site={other.site_id}").content)


def test_it_is_marked_where_customers_are_asked_by_mail(as_scheduler: Client, visit: Visit) -> None:
    soon = timezone.now() + timedelta(minutes=5)
    Visit.objects.filter(pk=visit.pk).update(starts_at=soon, ends_at=soon + timedelta(hours=1))
    week = timezone.localdate(soon).isoformat()
    ask = reverse("schedules:ask_customers", query={"week": week})
    for mark in ("MAKE SAFE:</strong> <a ", '<strong class="alarmed">MAKE SAFE:</strong> '):
        assert mark in told(as_scheduler.get(ask).content)
        if not visit.site.ownerships.exists():
            OwnershipFactory(site=visit.site, customer=CustomerFactory(email="c@customer.example"))


def test_calendars_begin_with_it_and_the_customers_say_nothing_of_it(technician: User, visit: Visit) -> None:
    at = timezone.now()
    body = visits_feed(technician, at=at)
    assert lint(body) == []
    [event] = icalendar.Calendar.from_ical(body).walk("VEVENT")
    assert str(event["summary"]) == "MAKE SAFE: 14 Maple Bend: 13 tasks"
    unit = MaintenanceTask.objects.get(priority=1).unit
    assert str(event["description"]).splitlines()[0] == f"MAKE SAFE: {unit}: {DANGER}"
    todos = [str(todo["summary"]) for todo in icalendar.Calendar.from_ical(todo_feed(at=at)).walk("VTODO")]
    assert [line for line in todos if "MAKE SAFE" in line] == [f"MAKE SAFE: {unit}: {DANGER}"]
    theirs = visit_event(visit, for_customer="https://desk.example/v/x/")
    assert "MAKE SAFE" not in theirs.summary + theirs.description


def test_once_made_safe_nothing_shouts_any_more(
    as_technician: Client, technician: User, visit: Visit
) -> None:
    MaintenanceTask.objects.filter(priority=1).update(priority=4)
    for address in addresses(visit, technician):
        assert "MAKE SAFE" not in told(as_technician.get(address).content)
    [event] = icalendar.Calendar.from_ical(visits_feed(technician, at=timezone.now())).walk("VEVENT")
    assert str(event["summary"]) == "14 Maple Bend: 13 tasks"


def test_notifications_of_the_day_begin_with_it(technician: User, scheduler: User, visit: Visit) -> None:
    for kind, person in ((NotificationKind.ROUTE_DAY, technician), (NotificationKind.OFFICE_DAY, scheduler)):
        notification = Notification(kind=kind, person=person, subject="person", subject_id=person.pk)
        lines = fill_in(notification).body.splitlines()
        first = next(number for number, line in enumerate(lines) if "MAKE SAFE: 14 Maple Bend" in line)
        others = [number for number, line in enumerate(lines) if line.startswith(("- ", "12:00"))]
        assert first <= min(others)


def test_lists_take_as_many_questions_with_a_danger_as_without(
    as_technician: Client, technician: User, visit: Visit
) -> None:
    reread = Visit.objects.for_list().get(pk=visit.pk)
    assert [entry.task.makes_safe for entry in reread.visit_tasks.all()] == [True] + [False] * 12
    assert reread.has_danger  # type: ignore[attr-defined]
