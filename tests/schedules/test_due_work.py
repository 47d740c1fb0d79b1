"""The list of due work by site, and who does the care where."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.http import QueryDict
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from schedules.maintenance.due_work import sites_with_work
from schedules.models import ClockMark, MaintenanceTask
from servicedesk.core.models import Change
from tests.factories import NextDueFactory, OwnershipFactory, SiteFactory, TaskFactory, UnitFactory
from units.models import Site

pytestmark = pytest.mark.django_db


def today() -> date:
    return timezone.localdate()


def in_days(days: int) -> date:
    return today() + timedelta(days=days)


def due_at(address: str, **fields: Any) -> MaintenanceTask:
    """Put a task that is due on the list, at a site of this address."""
    return TaskFactory(unit__site__address=address, **{"due_on": in_days(-1), **fields})


def places(page: str) -> list[str]:
    """Give the addresses of a page in their order."""
    names = Site.objects.exclude(address="").values_list("address", flat=True)
    positions = [(page.find(f">{name}</a>"), name) for name in names]
    return [name for where, name in sorted(positions) if where >= 0]


def test_sites_are_listed_most_urgent_first_with_what_they_need(as_scheduler: Client) -> None:
    due_at("2 Later Road")
    first = due_at("1 Earlier Road", due_on=in_days(-30), minutes=50)
    TaskFactory(unit=first.unit, due_on=in_days(-3), minutes=35)
    due_at("3 Danger Road", priority=1, origin="call", due_on=today())
    page = as_scheduler.get("/due/").content.decode()
    assert places(page) == ["3 Danger Road", "1 Earlier Road", "2 Later Road"]
    assert "2 tasks" in page
    assert "1 h 25 min" in page
    assert "1 from calls" in page
    assert page.count("MAKE SAFE") == 1
    assert f"/visits/plan/?site={first.site_id}" in page


def test_what_is_on_a_visit_waits_or_is_over_is_not_listed(as_scheduler: Client) -> None:
    due_at("1 Visit Road", state="in-process")
    due_at("2 Wait Road", waiting_for="part", waiting_until=in_days(5))
    due_at("3 Done Road", state="completed", done_on=today())
    due_at("4 Future Road", due_on=in_days(3))
    due_at("5 Ready Road", waiting_for="part", waiting_until=today())
    assert places(as_scheduler.get("/due/").content.decode()) == ["5 Ready Road"]


def test_looking_ahead_counts_care_that_comes_due(as_scheduler: Client) -> None:
    NextDueFactory(
        installed_part__unit__site__address="1 Coming Road",
        installed_part__unit__site__care_by="us",
        next_due_on=in_days(10),
        rule__minutes=25,
    )
    NextDueFactory(installed_part__unit__site__address="2 Nobody Road", next_due_on=in_days(10))
    due_at("3 Call Road", origin="call", due_on=in_days(30))
    assert places(as_scheduler.get("/due/").content.decode()) == []
    two_weeks = as_scheduler.get("/due/?horizon=2w").content.decode()
    assert places(two_weeks) == ["1 Coming Road"]
    assert "1 coming due" in two_weeks
    assert "25 min" in two_weeks
    assert places(as_scheduler.get("/due/?horizon=2m").content.decode()) == ["1 Coming Road", "3 Call Road"]
    assert places(as_scheduler.get("/due/?horizon=2m&origin=call").content.decode()) == ["3 Call Road"]
    assert places(as_scheduler.get("/due/?horizon=2m&origin=care").content.decode()) == ["1 Coming Road"]


def test_care_that_is_a_task_already_is_not_counted_twice(as_scheduler: Client) -> None:
    due = NextDueFactory(installed_part__unit__site__care_by="us", next_due_on=in_days(-1))
    TaskFactory(unit=due.installed_part.unit, next_due=due, due_on=in_days(-1))
    page = as_scheduler.get("/due/?horizon=2m").content.decode()
    assert "coming due" not in page
    assert "1 task" in page


def test_a_scrap_of_the_address_postcode_or_owner_finds_a_site(as_scheduler: Client) -> None:
    due = due_at("1 Heron Road", unit__site__postcode="09033")
    due_at("2 Quay Road", unit__site__postcode="09044")
    OwnershipFactory(site=due.site, customer__name="Ada Probeson")
    for text in ("heron", "09033", "probeson", due.unit.code):
        assert places(as_scheduler.get("/due/", {"q": text}).content.decode()) == ["1 Heron Road"]
    assert "Nothing matches" in as_scheduler.get("/due/", {"q": "nowhere"}).content.decode()


def test_an_empty_list_says_what_will_be_here(as_scheduler: Client) -> None:
    page = as_scheduler.get("/due/").content.decode()
    assert "Everything due today is on a visit" in page
    assert "/who-does-the-care/" in page
    assert "Due maintenance has not been checked yet" in page


def test_the_page_says_when_the_clock_last_looked(as_scheduler: Client) -> None:
    ran = timezone.now() - timedelta(hours=3)
    ClockMark.objects.create(task="schedules.raise_due", ran_at=ran, said="12 tasks raised")
    page = as_scheduler.get("/due/").content.decode()
    assert "12 tasks raised" in page
    assert "3\xa0hours ago" in page


def test_a_scheduler_can_look_without_waiting_for_the_clock(as_scheduler: Client) -> None:
    NextDueFactory(installed_part__unit__site__care_by="us")
    answer = as_scheduler.post("/due/look/", follow=True)
    assert "Checked: 1 new task." in answer.content.decode()
    assert MaintenanceTask.objects.open().count() == 1
    assert as_scheduler.get("/due/look/").status_code == 405


def test_technicians_do_not_plan(as_technician: Client) -> None:
    assert as_technician.get("/due/").status_code == 403
    assert as_technician.post("/due/look/").status_code == 403
    assert as_technician.get("/who-does-the-care/").status_code == 403


# --- pages by key ---------------------------------------------------------------------------------------


def walk(size: int, way: str, start: str = "") -> list[list[int]]:
    """Walk from page to page and give the sites of each."""
    pages, token = [], start
    while True:
        query = QueryDict(f"{way}={token}" if token else "")
        page = sites_with_work(query, today=today(), until=today(), size=size)
        pages.append([row.site.pk for row in page.rows])
        token = page.later if way == "after" else page.earlier
        if not token:
            return pages


def test_pages_hold_every_site_once_in_both_directions() -> None:
    tasks = [due_at(f"{n} Road", priority=1 + n % 3, due_on=in_days(-(n % 4))) for n in range(11)]
    pages = walk(3, "after")
    assert [len(page) for page in pages] == [3, 3, 3, 2]
    flat = [site for page in pages for site in page]
    order = sorted(tasks, key=lambda task: (task.priority, task.due_on, task.site_id))
    assert flat == [task.site_id for task in order]
    last = sites_with_work(QueryDict(""), today=today(), until=today(), size=9).later
    end = sites_with_work(QueryDict(f"after={last}"), today=today(), until=today(), size=9)
    back = walk(3, "before", end.earlier)
    assert [site for page in reversed(back) for site in page] == flat[:9]


@pytest.mark.parametrize("token", ["x", "WzFd", "eyJhIjoxfQ", "WyJhIiwiYiIsImMiXQ", "%00"])
def test_a_mangled_page_token_means_the_first_page(as_scheduler: Client, token: str) -> None:
    due_at("1 Road")
    answer = as_scheduler.get("/due/", {"after": token})
    assert answer.status_code == 200
    assert places(answer.content.decode()) == ["1 Road"]


def test_a_filter_that_can_not_be_shows_all(as_scheduler: Client) -> None:
    due_at("1 Road")
    assert places(as_scheduler.get("/due/?horizon=9y&origin=whim").content.decode()) == ["1 Road"]


@pytest.mark.parametrize("path", ["/due/?horizon=2m", "/who-does-the-care/?by=us"])
@pytest.mark.parametrize("sites", [3, 30])
def test_lists_take_the_same_few_queries_however_long(
    as_scheduler: Client, path: str, sites: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for n in range(sites):
        task = due_at(f"{n} Road", unit__site__care_by="us")
        OwnershipFactory(site=task.site)
        TaskFactory(unit=task.unit, due_on=today())
    with django_assert_max_num_queries(8):
        assert as_scheduler.get(path).status_code == 200


# --- who does the care ----------------------------------------------------------------------------------


def test_sites_without_care_are_listed_first_and_changed_together(as_scheduler: Client) -> None:
    sites = [UnitFactory(site=SiteFactory(address=f"{n} Nobody Road")).site for n in range(3)]
    SiteFactory(address="9 Our Road", care_by="us")
    page = as_scheduler.get("/who-does-the-care/").content.decode()
    assert "9 Our Road" not in page
    assert all(site.address in page for site in sites)
    answer = as_scheduler.post(
        "/who-does-the-care/", {"sites": [sites[0].pk, sites[2].pk], "care_by": "us"}, follow=True
    )
    assert "Saved for 2 sites." in answer.content.decode()
    assert [Site.objects.get(pk=site.pk).care_by for site in sites] == ["us", "nobody", "us"]
    change = Change.objects.about(sites[0]).get()
    assert change.action == "maintenance: by us (agreement)"
    assert [(field.before, field.after) for field in change.fields.all()] == [("none", "by us (agreement)")]


def test_saying_the_same_again_changes_nothing(as_scheduler: Client) -> None:
    site = SiteFactory(care_by="us")
    answer = as_scheduler.post(
        "/who-does-the-care/?by=us", {"sites": [site.pk], "care_by": "us"}, follow=True
    )
    assert "No site changed" in answer.content.decode()
    assert not Change.objects.about(site).exists()


def test_no_site_ticked_is_told(as_scheduler: Client) -> None:
    SiteFactory()
    answer = as_scheduler.post("/who-does-the-care/", {"care_by": "us"})
    assert answer.status_code == 422
    assert "Check at least one site." in answer.content.decode()


def test_a_list_without_sites_says_so(as_scheduler: Client) -> None:
    assert "No site is in this list" in as_scheduler.get("/who-does-the-care/?by=us").content.decode()
