"""The pages on failures over age and on how long parts last."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from io import StringIO
from typing import Any

import pytest
import time_machine
from django.core.management import call_command
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from tests.factories import ComponentTypeFactory, SiteFactory
from tests.servicedesk.reports.pages import TABLE, csv_rows, link_saying, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
AGING, LASTING = "/figures/aging/", "/figures/lasting/"


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def fleet() -> Fleet:
    """Twelve bare tracks at twelve sites of which eight failed, one of them twice, and one liner."""
    fleet = Fleet()
    parts = [fleet.watched_part(site=SiteFactory()) for _ in range(12)]
    for number, part in enumerate(parts[:8]):
        fleet.find(part, 150 * (number + 1), mode=fleet.waves if number == 0 else fleet.binds)
    fleet.find(parts[0], 1500)
    fleet.watched_part(of=fleet.liner)
    return fleet


def test_failures_over_age_are_drawn_and_read_at_whole_years(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, AGING)
    words = plain(page)
    assert "By 4 years of age, 100 parts have had: bare track 67 failures." in words
    assert page.count("<svg") == 1
    # Failures at 150, 300, ... 1200 and 1500 days; a year is 365.25 days.
    assert [row[:3] for row in rows(page)] == [
        ["1 year", "2", "0.17"],
        ["2 years", "2", "0.33"],
        ["3 years", "3", "0.58"],
        ["4 years", "1", "0.67"],
    ]
    assert "9 failures of 12 parts at 12 sites" in words
    assert "No curve: at no age 5 or more parts at 3 or more sites were watched" in words
    behind = open_page(as_owner, link_saying(page, "9 failures"))
    assert len(rows(behind)) == 9


def test_how_long_parts_last_counts_first_failures(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, LASTING)
    words = plain(page)
    # The curve ends at 1200 days, when fewer than five are left without a failure.
    assert "After 3 years, still without a failure: bare track 42 %." in words
    assert [row[:3] for row in rows(page)] == [
        ["1 year", "2", "83 %"],
        ["2 years", "2", "67 %"],
        ["3 years", "3", "42 %"],
    ]
    assert "8 first failures of 12 parts" in words
    behind = open_page(as_owner, link_saying(page, "All their failures, first and later"))
    assert len(rows(behind)) == 9


def test_wear_out_is_read_from_the_fitted_life(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, LASTING)
    bare, liner = rows(page, table=1)
    assert bare[:3] == ["Bare track", "8", "cannot tell wear-out from chance"]
    assert bare[5].startswith("1.") or bare[5].startswith("0.")
    assert "cannot tell yet: at no age 5 or more parts" in liner[2]
    (row, *_) = csv_rows(as_owner, f"{LASTING}?csv=1")
    assert row["what the shape says"] == "cannot tell wear-out from chance"
    assert f"{float(row['shape']):.2f}" == bare[3]


def test_early_failures_of_unlike_sites_are_read_alike_on_page_file_command_and_in_the_year(
    as_owner: Client,
) -> None:
    fleet = Fleet()
    # At a third of the sites every part fails within weeks, at the others hardly any: Proschan (1963).
    for number in range(36):
        part = fleet.watched_part(site=SiteFactory())
        if number % 3 == 0:
            fleet.find(part, 20 + 9 * number)
    words = "more fail early, but unlike sites alone could make it look so"
    assert rows(open_page(as_owner, LASTING), table=1)[0][2] == words
    assert csv_rows(as_owner, f"{LASTING}?csv=1")[0]["what the shape says"] == words
    out = StringIO()
    call_command("figures", "survival", "--json", stdout=out)
    assert json.loads(out.getvalue())["rows"][0]["life"]["reading"] == words
    assert words in plain(open_page(as_owner, "/figures/year/"))


def test_types_are_chosen_and_one_failure_asked_for(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, f"{AGING}?component={fleet.liner.pk}")
    assert len(TABLE.findall(page)) == 0
    assert "No failure of 1 part at 1 site" in plain(page)
    page = open_page(as_owner, f"{AGING}?mode={fleet.waves.pk}")
    assert "1 failure of 12 parts" in plain(page)


@pytest.mark.parametrize(
    ("address", "value"), [(AGING, "failures per item"), (LASTING, "share without failure")]
)
def test_the_file_has_every_age_at_which_something_failed(
    as_owner: Client, fleet: Fleet, address: str, value: str
) -> None:
    page = open_page(as_owner, address)
    records = csv_rows(as_owner, address + link_saying(page, "Download CSV file"))
    bare = [row for row in records if row["type of part"] == "bare track"]
    assert [float(row["age in days"]) for row in bare][:3] == [150, 300, 450]
    assert next(int(row["items watched"]) for row in bare) == 12
    share = 1 / 12 if address == AGING else 11 / 12
    assert float(bare[0][value]) == pytest.approx(share)
    assert "5 or more parts" in records[-1]["why no curve"]


@pytest.mark.parametrize("address", [AGING, LASTING])
def test_an_empty_register_and_a_bad_question_say_so(as_owner: Client, address: str) -> None:
    page = open_page(as_owner, address)
    assert "Nothing was watched of what you ask for, so there is no curve." in page
    page = open_page(as_owner, f"{address}?until=never&lot=L-7", status=422)
    assert "“never” is no day" in page
    assert 'value="L-7"' in page
    open_page(as_owner, f"{address}?part=wheel", status=422)


def test_a_kind_of_part_that_there_is_not_is_said_to_be_none(as_owner: Client, fleet: Fleet) -> None:
    answer = as_owner.get("/figures/aging/?part=door")
    page = plain(answer.content.decode())
    assert answer.status_code == 422
    assert "“door” is not on this list: choose what is, or leave it open." in page
    assert "Types to show" not in page


@pytest.mark.parametrize("many", [3, 30])
@pytest.mark.parametrize("address", [AGING, LASTING])
def test_the_pages_take_the_same_few_queries_however_many_types(
    as_owner: Client, address: str, many: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    fleet = Fleet()
    for number in range(many):
        fleet.find(fleet.watched_part(of=ComponentTypeFactory(name=f"track {number}", kind="track")), 10)
    with django_assert_max_num_queries(26):
        open_page(as_owner, address)
