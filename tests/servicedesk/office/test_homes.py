"""Home shows each role what it does next, and the owner the same failures as the figures."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta

import pytest
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from schedules.operations import plan_visit
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call
from servicedesk.calls.operations import log_call, note_made_safe
from servicedesk.core.models import Change
from servicedesk.reports.summary import year_in_brief
from tests.factories import CallFactory, SiteFactory, TaskFactory, UnitFactory, UserFactory, VisitFactory
from tests.faults.sent_forms import FORMS
from tests.servicedesk.reports.small_fleets import Fleet

pytestmark = pytest.mark.django_db


def told(client: Client) -> str:
    """The home page as text."""
    return client.get("/").content.decode()


def test_each_role_sees_what_is_next(as_technician: Client, as_scheduler: Client, as_owner: Client) -> None:
    UnitFactory(removed_on=date(2022, 1, 1))
    earlier = timezone.now() - timedelta(hours=5)
    VisitFactory(state="confirmed", starts_at=earlier, ends_at=earlier + timedelta(hours=1))
    assert "No visit is planned for you today" in told(as_technician)
    assert "Over, but not finished" in told(as_scheduler)
    page = told(as_owner)
    assert "units in the field" in page
    assert "No failure of a part we watched was recorded" in page


@pytest.mark.parametrize("role", ["as_technician", "as_scheduler", "as_owner"])
def test_every_role_sees_every_open_danger_before_anything_else(
    request: pytest.FixtureRequest, role: str, technician: User
) -> None:
    """Also one with a visit, on a later day and with somebody else; not one that was made safe."""
    client: Client = request.getfixturevalue(role)
    later = timezone.now() + timedelta(days=2)
    planned, safe, nobody = (SiteFactory(address=f"{name} Lane") for name in ("Planned", "Safe", "Nobody"))
    for site in (planned, safe, nobody):
        call = log_call(
            Call(site=site, symptom="glass", urgency="", phone="555-0177"), answers={}, by=None, at=later
        )
        if site == safe:
            note_made_safe(call.safety_answers.get(answer="yes"), how="boarded", by=None, at=later)
        if site == planned:
            visit = plan_visit(
                site,
                starts_at=later,
                technicians=[UserFactory(name="Someone Else")],
                tasks=[call.task],
                all_the_same=True,
                by=None,
                at=timezone.now(),
            )
    page = told(client)
    assert page.count("MAKE SAFE: ") == 2
    assert page.index("MAKE SAFE: Nobody Lane") < page.index("MAKE SAFE: Planned Lane")
    assert "MAKE SAFE: Safe Lane" not in page
    first = page[page.index("</h1>") :]
    assert first.index("MAKE SAFE") < min(first.find(f"<{tag}") % len(first) for tag in ("ul", "table", "li"))
    assert "No visit is planned." in page
    assert f'href="{visit.get_absolute_url()}"' in page
    assert "Someone Else" in page
    assert "tel:5550177" in page


def test_an_empty_register_tells_how_to_begin(as_owner: Client, as_scheduler: Client) -> None:
    for client in (as_owner, as_scheduler):
        assert "Start with your units" in told(client)


def failing_fleet(today: date, *, units: int) -> Fleet:
    """Parts that failed within the year, and findings that count for nothing."""
    fleet = Fleet()
    since_start = (today - date(2020, 1, 1)).days
    for number in range(units):
        part = fleet.watched_part()
        fleet.find(part, since_start - 10)
        fleet.find(part, since_start - 20, mode=fleet.waves if number else fleet.binds)
        fleet.find(part, since_start - 5, repeat=True)
        fleet.find(part, since_start - 6, is_failure=False)
        fleet.find(part, since_start - 366)
    unwatched = fleet.fit(fleet.unit())
    fleet.find(unwatched, since_start - 1)
    return fleet


def test_home_counts_the_failures_that_the_figures_count(as_owner: Client) -> None:
    today = timezone.localdate()
    fleet = failing_fleet(today, units=3)
    page = told(as_owner)
    assert year_in_brief(today).failures == 6
    assert re.search(r">6</span><br>failures of parts we watched", page)
    rows = re.findall(r'<a href="([^"]+)">([^<]+)</a></th><td[^>]*>(\d+)</td><td[^>]*>(\d+)</td>', page)
    assert [row[1:] for row in rows] == [
        (f"track or liner: {fleet.binds.name}", "4", "3"),
        (f"track or liner: {fleet.waves.name}", "2", "2"),
    ]
    behind = as_owner.get(rows[0][0].replace("&amp;", "&")).content.decode()
    assert "4 failures, of" in behind


@pytest.mark.parametrize("many", [3, 30])
@pytest.mark.parametrize("role", ["as_technician", "as_scheduler", "as_owner"])
def test_home_takes_the_same_few_queries_however_much_there_is(
    request: pytest.FixtureRequest,
    role: str,
    many: int,
    django_assert_max_num_queries: DjangoAssertNumQueries,
) -> None:
    client: Client = request.getfixturevalue(role)
    failing_fleet(timezone.localdate(), units=many)
    for _ in range(many):
        site = SiteFactory(care_by="us")
        CallFactory(
            site=site,
            unit=UnitFactory(site=site),
            reported_at=datetime.now(tz=timezone.get_current_timezone()),
        )
        TaskFactory(unit=UnitFactory(site=site))
    with django_assert_max_num_queries(20):
        assert client.get("/").status_code == 200


@pytest.mark.parametrize(
    ("name", "subject", "action"),
    [
        ("office:see_record", "units.unit", "settled: trial"),
        ("office:see_answer", "schedules.visit", "customer’s answer handled"),
    ],
)
def test_who_saw_what_needed_a_look_is_in_the_history_once(
    as_scheduler: Client, scheduler: User, name: str, subject: str, action: str
) -> None:
    address = FORMS[name]().path
    before = list(Change.objects.values_list("pk", flat=True))
    for _ in range(2):
        assert as_scheduler.post(address).status_code == 302
    (line,) = Change.objects.exclude(pk__in=before)
    assert (line.by, line.subject, line.action) == (scheduler, subject, action)
