"""The findings behind numbers, the page of the failure log, and the year in brief."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
import time_machine
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from servicedesk.reports.operations import keep_failure_log
from servicedesk.reports.queries.exclusion_reasons import EXCLUSION_REASON_WORDS, ExclusionReason
from tests.factories import CallFactory, SiteFactory, WorkFactory
from tests.servicedesk.reports.pages import csv_rows, link_of, link_saying, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet, day

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
FINDINGS, LOG, YEAR = "/figures/findings/", "/figures/log/", "/figures/"
TODAY = 1826


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def fleet() -> Fleet:
    """One finding of every exclusion_reason, two of them failures."""
    fleet = Fleet()
    part = fleet.watched_part(site=SiteFactory(address="3 Heron Way"))
    fleet.find(part, 400, panel=2, corner="UL")
    fleet.find(part, 400, panel=2, corner="UL")
    fleet.find(part, 500, repeat=True)
    fleet.find(part, 600, is_failure=False)
    old = fleet.fit(fleet.unit(), 0, age_known=False)
    fleet.watch(old.unit, 700)
    fleet.find(old, 800)
    fleet.find(old, 700)
    fleet.find(old, 20)
    gone = fleet.fit(old.unit, 900, 900, of=fleet.liner, panel=1)
    fleet.find(gone, 900)
    nobody = fleet.find(part, 950)
    nobody.installed_part = None
    nobody.save()
    silent = fleet.watched_part(of=fleet.liner, site=SiteFactory(care_by="us"))
    fleet.find(silent, 650)
    return fleet


def test_every_sort_of_finding_can_be_looked_at(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, FINDINGS)
    assert "2 failures, of 10 findings in all." in plain(page)
    assert [(row[0], row[1], row[5]) for row in rows(page)] == [
        ("Mar 11, 2022", "binds", "not known"),
        ("Feb 4, 2021", "binds", "1.1 years"),
    ]
    assert "3 Heron Way" in rows(page)[1][3]
    for exclusion_reason in ExclusionReason:
        page = open_page(
            as_owner,
            f"{FINDINGS}?exclusion_reason="
            f"{'' if exclusion_reason == ExclusionReason.EVENT else exclusion_reason}",
        )
        assert len(rows(page)) == (2 if exclusion_reason == ExclusionReason.EVENT else 1), exclusion_reason
    page = open_page(as_owner, link_saying(open_page(as_owner, FINDINGS), "10 findings in all"))
    assert sorted(row[6] for row in rows(page)) == sorted(
        [*EXCLUSION_REASON_WORDS.values(), EXCLUSION_REASON_WORDS[ExclusionReason.EVENT]]
    )


def test_no_such_finding_says_where_they_come_from(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, f"{FINDINGS}?part=corner")
    assert "No such findings" in page
    assert "no failures" in plain(page).lower()
    open_page(as_owner, f"{FINDINGS}?exclusion_reason=odd", status=422)


def test_a_long_list_goes_on_by_key(as_owner: Client) -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    for number in range(1, 121):
        fleet.find(part, number, place=f"spot {number}")
    seen, address = [], FINDINGS
    while True:
        page = open_page(as_owner, address)
        seen += [row[4] for row in rows(page)]
        if "Further down the list" not in page:
            break
        address = FINDINGS + link_saying(page, "Further down the list")
    assert seen == [f"spot {number}" for number in range(120, 0, -1)]


def test_the_log_lists_days_totals_and_the_way_to_the_findings(as_owner: Client, fleet: Fleet) -> None:
    empty = open_page(as_owner, LOG)
    assert "Nothing in the log yet" in empty
    keep_failure_log(today=day(TODAY), at=NOON)
    page = open_page(as_owner, f"{LOG}?from=2021-01-01&until=2022-12-31&part=track")
    assert rows(page) == [
        ["Mar 11, 2022", "bare track", "binds", "1", "2"],
        ["Feb 4, 2021", "bare track", "binds", "1", "1"],
    ]
    item_years = (730 + (730 - 334)) / 365.25  # the second is watched from day 700, December 1, 2021
    assert rows(page, table=1)[0] == ["Bare track", "track or liner", "2", f"{item_years:.1f}"]
    assert "Written up to December 31, 2024" in page
    assert [row[0] for row in rows(open_page(as_owner, link_of(page, "Feb 4, 2021")))] == ["Feb 4, 2021"]
    file = csv_rows(as_owner, f"{LOG}?csv=1&from=2021-01-01&until=2022-12-31")
    assert [(row["day"], row["failures"], row["items at risk"]) for row in file] == [
        ("2021-02-04", "1", "1"),
        ("2022-03-11", "1", "2"),
    ]
    quiet = open_page(as_owner, f"{LOG}?from=2024-11-01&until=2024-11-30")
    assert "No failures on these days" in quiet
    assert "“then” is no day" in open_page(as_owner, f"{LOG}?from=then", status=422)


def test_the_year_in_brief_adds_up_failures_calls_minutes_and_pieces(as_owner: Client) -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    for on in (TODAY - 10, TODAY - 300, TODAY - 366):
        finding = fleet.find(part, on)
        WorkFactory(
            unit=part.unit, installed_part=part, finding=finding, kind="repaired", minutes=45, done_on=day(on)
        )
    WorkFactory(unit=part.unit, kind="cleaned", minutes=20, done_on=day(TODAY - 5))
    CallFactory(site=part.unit.site, unit=part.unit, reported_at=NOON)
    CallFactory(site=part.unit.site, unit=part.unit, reported_at=datetime(2023, 12, 1, 12, 0, tzinfo=UTC))
    page = open_page(as_owner, YEAR)
    words = plain(page)
    assert "From January 1, 2024 to today parts failed 2 times at the 1 site we watch." in words
    assert ">1</span><br>call, 2 of all calls still open<" in page
    assert '<span class="big">1 h 50 min</span><br>of work written down, 1 h 30 min of it repairs' in page
    track, rest = rows(page)
    assert track[:3] == ["Track or liner", "2", "1 h 30 min"]
    assert rest[:3] == ["No part in particular", "0", "20 min"]
    # 366 days of watching are too few item-years for a rate.
    assert track[-1] == "cannot tell yet"
    assert len(rows(open_page(as_owner, f"{FINDINGS}?part=track&from=2024-01-01"))) == 2


def test_a_year_with_nothing_says_so(as_owner: Client) -> None:
    assert "No part is known to have failed since" in open_page(as_owner, YEAR)


@pytest.mark.parametrize("many", [3, 30])
@pytest.mark.parametrize("address", [FINDINGS, LOG, YEAR])
def test_the_pages_take_the_same_few_queries_however_much_there_is(
    as_owner: Client, address: str, many: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    fleet = Fleet()
    for number in range(many):
        fleet.find(fleet.watched_part(), TODAY - 20 + number % 10)
    keep_failure_log(today=day(TODAY), at=NOON)
    with django_assert_max_num_queries(20):
        open_page(as_owner, address)
