"""Which week pages open without being asked: the one in which the next working day lies."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest
import time_machine
from django.test import Client

from schedules.models import Visit, WorkingDay
from schedules.visits.shifts import week_ahead
from servicedesk.accounts.models import User
from tests.factories import SiteFactory
from tests.schedules.planned_visits import at_site, planned, told
from tests.schedules.weeks_of_work import technician as going_out

pytestmark = pytest.mark.django_db

SUNDAY = datetime(2026, 5, 3, 14, 0, tzinfo=UTC)
SATURDAY, FRIDAY = SUNDAY - timedelta(days=1), SUNDAY - timedelta(days=2)


def works(person: User, *weekdays: int, where: str = "road") -> None:
    """Give somebody hours."""
    for weekday in weekdays:
        WorkingDay.objects.create(person=person, weekday=weekday, begins=time(8), ends=time(16), where=where)


@pytest.mark.parametrize(("at", "monday"), [(FRIDAY, "April 27"), (SATURDAY, "May 4"), (SUNDAY, "May 4")])
def test_pages_of_weeks_open_on_the_next_working_day(
    as_scheduler: Client, technician: User, at: datetime, monday: str
) -> None:
    with time_machine.travel(at, tick=False):
        for address, words in (("/week/", "Schedule"), ("/visits/", "Visits"), ("/week/weather/", "eather")):
            page = told(as_scheduler.get(address).content)
            assert f"{words} from {monday} to" in page or f"{words} of the week of {monday[:3]}" in page
            if address != "/week/weather/":
                assert "?week=2026-04-27" in page.split(">This week<")[0].rpartition("<a ")[2]
        assert f"Week of {monday}" in told(as_scheduler.get("/working-times/").content)


def test_whoever_works_on_a_weekend_has_that_week(technician: User) -> None:
    assert week_ahead(date(2026, 5, 3)) == date(2026, 5, 4)
    works(technician, 1, 2)
    works(technician, 6, where="shop")
    assert week_ahead(date(2026, 5, 3)) == date(2026, 5, 4)
    works(going_out(), 6)
    assert week_ahead(date(2026, 5, 3)) == date(2026, 4, 27)
    assert week_ahead(date(2026, 5, 2)) == date(2026, 4, 27)


def test_where_tuesday_to_thursday_are_worked_friday_looks_ahead(technician: User) -> None:
    works(technician, 1, 2, 3)
    assert week_ahead(date(2026, 5, 1)) == date(2026, 5, 4)
    WorkingDay.objects.update(where="shop")  # nobody goes out on any day: the usual week
    assert week_ahead(date(2026, 5, 1)) == date(2026, 4, 27)


def test_a_technicians_list_of_days_to_come_is_called_what_it_is(
    as_technician: Client, technician: User
) -> None:
    for days in (1, 7, 8):
        site = SiteFactory(address=f"{days} Later Road")
        starts_at = SUNDAY + timedelta(days=days)
        planned(at_site(site), technician, starts_at=starts_at, at=SUNDAY)
    with time_machine.travel(SUNDAY, tick=False):
        page = told(as_technician.get("/").content)
    assert "Later this week" not in page
    assert "The next seven days" in page
    assert "1 Later Road" in page
    assert "7 Later Road" in page
    assert "8 Later Road" not in page
    assert Visit.objects.count() == 3
