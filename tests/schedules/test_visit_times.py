"""When a visit can be: not while somebody is away, not years off, and outside hours only if that is meant."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client

from schedules import operations
from schedules.models import Absence, Visit, WorkingDay
from servicedesk.accounts.models import User
from servicedesk.core.rules.refusals import RuleViolation
from tests.schedules.planned_visits import AT, NINE, at_site, filled_in, planned, told

pytestmark = pytest.mark.django_db
MONDAY = NINE.date()


@pytest.fixture(autouse=True)
def _today() -> Iterator[None]:
    with time_machine.travel(AT, tick=False):
        yield


def ask(client: Client, who: User, visit: Visit | None = None, **fields: Any) -> str:
    """Plan a visit by its form, or change one; give the page that came back, "" where it was stored."""
    task = visit.visit_tasks.get().task if visit else at_site()
    address = f"/visits/{visit.pk}/change/" if visit else f"/visits/plan/?site={task.site_id}"
    answer = client.post(address, filled_in(task, technicians=[who.pk], **{"minutes": "60", **fields}))
    return "" if answer.status_code == 302 else told(answer.content)


@pytest.fixture(params=["plan", "change"])
def visit(request: pytest.FixtureRequest, technician: User) -> Visit | None:
    """None where a visit is planned, or the one of next Tuesday that is changed."""
    if request.param == "plan":
        return None
    return planned(at_site(), technician, starts_at=NINE + timedelta(days=1, hours=3))


def test_who_is_away_goes_nowhere(as_scheduler: Client, technician: User, visit: Visit | None) -> None:
    Absence.objects.create(person=technician, first_on=MONDAY, last_on=date(2026, 5, 6), note="at a course")
    page = ask(as_scheduler, technician, visit, all_the_same="on")
    assert f"{technician.name} is away from May 4, 2026 to May 6, 2026 (at a course)" in page
    assert "choose another day or somebody else" in page
    assert ask(as_scheduler, technician, visit, day="2026-05-07") == ""


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        (
            {"time": "18:00"},
            "works on Mondays from 8:00 AM to 3:00 PM, and this visit is from 6:00 PM to 7:00 PM",
        ),
        ({"time": "14:30"}, "this visit is from 2:30 PM to 3:30 PM"),
        ({"time": "07:30"}, "this visit is from 7:30 AM to 8:30 AM"),
        ({"day": "2026-05-06"}, "does not work on Wednesdays"),
        ({"day": "2026-05-05"}, "is in the shop on Tuesdays"),
        ({"time": "23:30"}, "goes on past midnight"),
    ],
)
def test_outside_the_hours_of_who_goes_it_is_asked_once(
    as_scheduler: Client, technician: User, visit: Visit | None, fields: dict[str, str], why: str
) -> None:
    hours: dict[str, Any] = {"person": technician, "begins": "08:00", "ends": "15:00"}
    WorkingDay.objects.create(weekday=0, **hours)
    WorkingDay.objects.create(weekday=1, where="shop", **hours)
    page = ask(as_scheduler, technician, visit, note="Keep this", **fields)
    assert why in page
    assert "or check “Plan it all the same”" in page
    assert 'name="all_the_same"' in page
    assert "Keep this" in page
    before = Visit.objects.get(pk=visit.pk).starts_at if visit else None
    assert before == (visit.starts_at if visit else None)
    assert ask(as_scheduler, technician, visit, all_the_same="on", **fields) == ""


def test_the_box_is_not_there_before_it_is_needed(as_scheduler: Client, technician: User) -> None:
    page = told(as_scheduler.get(f"/visits/plan/?site={at_site().site_id}").content)
    assert "all_the_same" not in page
    assert ask(as_scheduler, technician) == ""


def test_a_year_that_is_a_slip_is_refused(
    as_scheduler: Client, technician: User, visit: Visit | None
) -> None:
    page = ask(as_scheduler, technician, visit, day="2126-05-04", all_the_same="on")
    assert "May 4, 2126 is more than a year and a half ahead: check the year." in page
    assert "The last day that can be planned is October 20, 2027." in page
    assert ask(as_scheduler, technician, visit, day="2027-10-20") == ""


def test_what_took_place_is_recorded_for_a_year_and_whatever_the_hours(
    as_scheduler: Client, technician: User
) -> None:
    Absence.objects.create(person=technician, first_on=date(2026, 4, 1), last_on=date(2026, 4, 30))
    page = ask(as_scheduler, technician, already_over="on", day="2016-04-13")
    assert "April 13, 2016 is more than a year ago: check the year." in page
    assert ask(as_scheduler, technician, already_over="on", day="2026-04-12", time="20:00") == ""


def test_a_visit_can_be_noted_on_though_somebody_fell_ill(as_scheduler: Client, technician: User) -> None:
    """What was planned before stays until its time or people change; but nobody confirms it so."""
    visit = planned(at_site(), technician, starts_at=NINE + timedelta(hours=10))
    Absence.objects.create(person=technician, first_on=MONDAY, last_on=MONDAY)
    assert ask(as_scheduler, technician, visit, time="19:00", note="Ladder") == ""
    with pytest.raises(RuleViolation, match="is away on May 4, 2026: choose another day"):
        operations.confirm_visit(visit, by=None, at=AT)
    page = ask(as_scheduler, technician, visit, time="18:00")
    assert "is away on May 4, 2026" in page


def test_nobody_is_moved_into_an_absence_and_customers_are_not_told_of_it(technician: User) -> None:
    visit = planned(at_site(), technician)
    moved = NINE + timedelta(days=1)
    Absence.objects.create(person=technician, first_on=moved.date(), last_on=moved.date(), note="ill")
    for agreed, why in ((False, r"is away on May 5, 2026 \(ill\)"), (True, "no longer available")):
        with pytest.raises(RuleViolation, match=why):
            operations.move_visit(
                visit, person=technician, starts={visit.pk: moved}, agreed=agreed, by=None, at=AT
            )
    visit.refresh_from_db()
    assert visit.starts_at == NINE
