"""Page, file and command say the same to the last digit; and no question ends in a traceback or a NaN."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
import time_machine
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from servicedesk.reports.forecast.year import MONTHS, Past, forecast_year
from servicedesk.reports.numerics.counts.funnel import funnel_limits
from servicedesk.reports.numerics.counts.jackknife import jackknife_rate
from servicedesk.reports.numerics.counts.rates import event_rate, rate_ratio
from servicedesk.reports.words import amount
from tests.factories import MaintenanceRuleFactory, SiteFactory
from tests.servicedesk.reports.pages import csv_rows, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def fleet() -> Fleet:
    """Tracks and liners at thirty sites in different light, a good many of which failed."""
    fleet = Fleet()
    for number in range(60):
        unit = fleet.unit(
            SiteFactory() if number % 2 == 0 else None,
            finish=("dark", "white", "light")[number % 3],
            facing=180 if number % 4 < 2 else 0,
            shade="none",
        )
        fleet.watch(unit, 0)
        part = fleet.fit(unit, of=fleet.liner if number % 5 < 2 else fleet.track, lot=f"L-{number % 6}")
        for turn in range(number % 4):
            fleet.find(part, 250 + 380 * turn + 5 * number)
    MaintenanceRuleFactory(component_type=fleet.track, name="oil it")
    return fleet


def command(*arguments: str) -> str:
    """Run the command and give what it prints."""
    out = io.StringIO()
    call_command("figures", *arguments, stdout=out)
    return out.getvalue()


QUESTIONS = [
    ("reports:rates", "rates", "", ()),
    ("reports:rates", "rates", "by=lot&finish=dark", ("--by", "lot", "--finish", "dark")),
    ("reports:rates", "rates", "by=mode&from=2021-01-01", ("--by", "mode", "--from", "2021-01-01")),
    ("reports:rates", "rates", "by=sun&until=2023-06-30", ("--by", "sun", "--until", "2023-06-30")),
    ("reports:lasting", "survival", "part=track", ("--part", "track")),
    ("reports:aging", "recurrence", "part=track&sun=full", ("--part", "track", "--sun", "full")),
]


@pytest.mark.parametrize(("page", "name", "query", "arguments"), QUESTIONS)
def test_file_and_command_are_the_same(
    as_owner: Client, fleet: Fleet, page: str, name: str, query: str, arguments: tuple[str, ...]
) -> None:
    from_page = csv_rows(as_owner, f"{reverse(page)}?{query}&csv=1")
    assert from_page
    assert list(csv.DictReader(io.StringIO(command(name, *arguments, "--csv")))) == from_page
    document = json.loads(command(name, *arguments, "--json"))
    assert document["rows"]
    if name == "rates":
        for row, line in zip(document["rows"], from_page, strict=True):
            assert float(line["item-years"]) == row["item_years"]
            assert line["failures per 100 item-years"] == ("" if row["rate"] is None else repr(row["rate"]))
            for side in ("from", "to"):
                wide = row["wide_low" if side == "from" else "wide_high"]
                assert line[f"{side}, allowing for sites (95 %)"] == ("" if wide is None else repr(wide))


def test_the_page_of_rates_writes_the_numbers_of_its_file(as_owner: Client, fleet: Fleet) -> None:
    document = json.loads(command("rates", "--by", "lot", "--json"))
    shown = rows(open_page(as_owner, "/figures/rates/?by=lot"))
    for row, cells in zip(document["rows"], shown, strict=True):
        assert cells[1:4] == [f"{row[name]:,}" for name in ("events", "items", "sites")]
        assert cells[4:7] == [
            amount(row["item_years"]),
            amount(row["rate"]),
            f"{amount(row['wide_low'])} – {amount(row['wide_high'])}",
        ]
        assert cells[7] == amount(row["pooled"]["value"])


def test_two_types_are_compared_alike(as_owner: Client, fleet: Fleet) -> None:
    address = f"{reverse('reports:compare')}?one={fleet.track.pk}&other={fleet.liner.pk}"
    from_page = csv_rows(as_owner, f"{address}&csv=1")
    arguments = ("--of", "bare track", "--with", "nylon liner")
    assert list(csv.DictReader(io.StringIO(command("compare", *arguments, "--csv")))) == from_page
    document = json.loads(command("compare", *arguments, "--json"))
    page = plain(open_page(as_owner, address))
    for ratio, line in zip(document["ratios"], from_page, strict=False):
        assert line["times as often"] == ("" if ratio["ratio"] is None else repr(ratio["ratio"]))
        if ratio["ratio"] is not None:
            assert f"{ratio['ratio']:.2f}" in page


PAGES = [
    *("rates", "compare", "aging", "lasting", "forecast", "maintenance"),
    *("findings", "surveillance", "year", "log"),
]


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize(
    "query",
    [
        "lot=none-of-these&part=track",
        "from=2024-12-31&until=2024-12-31&part=track",
        "as_of=2019-01-01&part=track",
    ],
)
def test_filters_that_leave_nothing_get_a_sentence(
    as_owner: Client, fleet: Fleet, page: str, query: str
) -> None:
    answer = as_owner.get(f"/figures/{page}/?{query}")
    assert answer.status_code in (200, 422)
    words = plain(answer.content.decode())
    assert "Traceback" not in words
    assert not re.search(r"\b(nan|inf)\b|None(?! stands)", words)


@pytest.mark.parametrize("page", [page for page in PAGES if page != "surveillance"])
def test_days_the_wrong_way_round_get_a_sentence(as_owner: Client, fleet: Fleet, page: str) -> None:
    words = plain(open_page(as_owner, f"/figures/{page}/?from=2024-02-01&until=2024-01-01", status=422))
    assert "comes after the last" in words


def test_a_thousand_million_failures_are_numbers_too() -> None:
    many = 10**9
    rate = event_rate(many, 5e8)
    assert 1.9 < rate.low < 2 < rate.high < 2.1
    wide = jackknife_rate([many, many, many], [1e9, 2e9, 3e9], [1, 2, 3])
    assert wide.low < wide.rate < wide.high
    ratio = rate_ratio(many, 1e9, 2 * many, 1e9)
    assert math.isfinite(ratio.p_value)
    assert ratio.low < 0.5 < ratio.high
    past = Past(events=many, years=1e9)
    ahead = forecast_year(past, np.zeros(0), items=many, counts=np.ones(MONTHS)).year
    assert ahead.low < many < ahead.high
    low, high = funnel_limits(0.5, [1e12])
    assert low[0] < 0.5 < high[0]


def test_every_answer_is_three_clicks_from_home(as_owner: Client, fleet: Fleet) -> None:
    seen, reached = {"/"}, {"/"}
    for _ in range(3):
        links = set()
        for address in reached:
            answer = as_owner.get(address)
            if answer.status_code == 200 and answer["Content-Type"].startswith("text/html"):
                links |= set(re.findall(r'href="(/figures/[^"#]*)"', answer.content.decode()))
        reached = {address.replace("&amp;", "&") for address in links} - seen
        seen |= reached
    for page in PAGES:
        assert any(address.startswith(f"/figures/{page}/") for address in seen), page
    assert any(address.startswith("/figures/compare/?one=") for address in seen)
    assert any(address.startswith("/figures/maintenance/?rule=") for address in seen)
