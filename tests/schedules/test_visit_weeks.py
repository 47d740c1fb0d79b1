"""The week of visits, and how many queries the pages of visits take."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from schedules import operations
from servicedesk.accounts.models import User
from tests.factories import (
    NextDueFactory,
    SiteFactory,
    TaskFactory,
    UserFactory,
)
from tests.schedules.planned_visits import AT, NINE, at_site, planned, told

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _today() -> Iterator[None]:
    with time_machine.travel(AT, tick=False):
        yield


def test_the_week_is_laid_out_by_day_with_all_who_go(as_scheduler: Client, technician: User) -> None:
    other = UserFactory(name="Ada Second")
    planned(at_site(SiteFactory(address="1 Monday Road")), technician, other)
    planned(at_site(SiteFactory(address="2 Sunday Road")), technician, starts_at=NINE + timedelta(days=6))
    planned(at_site(SiteFactory(address="3 Next Road")), technician, starts_at=NINE + timedelta(days=7))
    gone = planned(at_site(SiteFactory(address="4 Gone Road")))
    operations.cancel_visit(gone, why="x", by=None, at=AT)
    page = told(as_scheduler.get("/visits/?week=2026-05-06").content)
    assert "Visits from May 4 to May 10, 2026" in page
    assert page.count("1 Monday Road") == 1
    assert f"Ada Second, {technician.name}" in page
    assert "2 Sunday Road" in page
    assert "3 Next Road" not in page
    assert "4 Gone Road" not in page
    assert "?week=2026-04-27&amp;who=team" in page
    assert "?week=2026-05-11&amp;who=team" in page


def test_the_visits_of_a_day_stand_as_they_begin(as_scheduler: Client, technician: User) -> None:
    planned(at_site(SiteFactory(address="2 Later Road")), technician, starts_at=NINE + timedelta(hours=3))
    planned(at_site(SiteFactory(address="1 Early Road")), UserFactory(name="Zoe Last"))
    page = as_scheduler.get("/visits/?week=2026-05-04").content.decode()
    assert page.index("1 Early Road") < page.index("2 Later Road")


def test_a_visit_late_in_the_evening_stands_on_its_local_day(as_scheduler: Client, technician: User) -> None:
    planned(at_site(), technician, starts_at=datetime(2026, 5, 5, 2, 0, tzinfo=UTC))
    page = told(as_scheduler.get("/visits/?week=2026-05-04").content)
    assert "Monday, May 4" in page
    assert "10:00 PM–11:00 PM" in page


def test_technicians_see_their_own_week_first_and_everyones_on_asking(
    as_technician: Client, technician: User
) -> None:
    planned(at_site(SiteFactory(address="1 Mine Road")), technician)
    planned(at_site(SiteFactory(address="2 Other Road")), UserFactory())
    mine = as_technician.get("/visits/?week=2026-05-04").content.decode()
    assert "1 Mine Road" in mine
    assert "2 Other Road" not in mine
    everyone = as_technician.get("/visits/?week=2026-05-04&who=team").content.decode()
    assert "2 Other Road" in everyone
    assert "calendar file" in mine
    assert "calendar file" not in everyone


def test_one_persons_week(as_scheduler: Client, technician: User) -> None:
    planned(at_site(SiteFactory(address="1 Theirs Road")), technician)
    page = as_scheduler.get(f"/visits/?week=2026-05-04&who={technician.pk}").content.decode()
    assert "1 Theirs Road" in page
    assert "No visits of yours" in as_scheduler.get("/visits/?week=2026-05-04&who=me").content.decode()


@pytest.mark.parametrize("query", ["week=soon", "who=99999", "who=zzz&week=2026-13-99"])
def test_a_week_that_can_not_be_is_this_week(as_scheduler: Client, query: str) -> None:
    page = as_scheduler.get(f"/visits/?{query}").content.decode()
    assert "Visits from April 20 to April 26, 2026" in page
    assert "Visits are made from" in page


@pytest.mark.parametrize("visits", [3, 30])
def test_the_week_takes_the_same_few_queries_however_full(
    as_scheduler: Client, technician: User, visits: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for n in range(visits):
        planned(at_site(), technician, starts_at=NINE + timedelta(hours=n))
    with django_assert_max_num_queries(10):
        as_scheduler.get("/visits/?week=2026-05-04")


@pytest.mark.parametrize("tasks", [3, 30])
@pytest.mark.parametrize("page", ["visit", "change", "plan"])
def test_visit_pages_take_the_same_few_queries_however_much_is_done(
    as_scheduler: Client, tasks: int, page: str, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    first = at_site()
    site = first.site
    dues = [NextDueFactory(installed_part__unit__site=site) for _ in range(tasks)]
    more = [
        TaskFactory(unit=due.installed_part.unit, next_due=due, installed_part=due.installed_part)
        for due in dues
    ]
    paths = {"plan": f"/visits/plan/?site={site.pk}"}
    if page != "plan":
        visit = planned(first, tasks=[first, *more])
        paths |= {"visit": f"/visits/{visit.pk}/", "change": f"/visits/{visit.pk}/change/"}
    with django_assert_max_num_queries(22):
        assert as_scheduler.get(paths[page]).status_code == 200
