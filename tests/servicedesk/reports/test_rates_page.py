"""The page of failure rates: what it counts, filters, groups, refuses, and the way down to the findings."""

from __future__ import annotations

import html
import io
import json
import re
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
import time_machine
from django.core.management import call_command
from django.test import Client
from pytest_django import DjangoAssertNumQueries
from scipy.stats import chi2, t

from servicedesk.calls.models import Finding
from servicedesk.reports.questions.traits import GROUPINGS
from tests.factories import CallFactory, ComponentTypeFactory, ConstructionFactory, SiteFactory
from tests.servicedesk.reports.pages import LINK, csv_rows, link_of, link_saying, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet
from units.models import InstalledPart, Unit

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
RATES = "/figures/rates/"


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def fleet() -> Fleet:
    """Tracks and liners at six sites, of two constructions, colors and so on; every third one failed."""
    fleet = Fleet()
    built = [ConstructionFactory(name="stepped"), ConstructionFactory(name="lined")]
    for number in range(24):
        odd = number % 2
        site = SiteFactory(coast="shore" if odd else "")
        unit = fleet.unit(
            site,
            construction=built[odd],
            finish="dark" if odd else "white",
            shade="full" if odd else "none",
            facing=180 if odd else 0,
        )
        fleet.watch(unit, 0)
        lot = {"lot": "L-7"} if odd else {}
        begin = 0 if number < 16 else 400
        part = fleet.fit(unit, begin, of=fleet.liner if odd else fleet.track, **lot)
        if number % 3 == 0:
            fleet.find(part, 500 + number, mode=fleet.waves if odd else fleet.binds)
            fleet.find(part, 900 + number)
    return fleet


def test_each_type_has_its_failures_time_rate_and_range(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, RATES)
    (family, bare, nylon) = [["Track or liner"], *rows(page)]
    assert family[0] in plain(page)
    assert bare[:4] == ["Bare track", "8", "12", "12"]
    assert nylon[:4] == ["Nylon liner", "8", "12", "12"]
    item_years = (8 * 1826 + 4 * 1426) / 365.25
    assert bare[4] == f"{item_years:.1f}"
    assert bare[5] == f"{800 / item_years:.1f}"
    exact = chi2.ppf(0.025, 16) / 2, chi2.ppf(0.975, 18) / 2  # Garwood (1936), quantiles by scipy
    watched = np.array([1826] * 8 + [1426] * 4) / 365.25
    failed = np.array([2, 0, 0, 2, 0, 0, 2, 0, 0, 2, 0, 0])
    # Each site against all others (Bell and McCaffrey 2002), as many degrees as sites of like size, less one.
    share = watched / item_years
    change = (failed - 8 * share) / (8 * (1 - share))
    degrees = 1 / float((share**2).sum()) - 1
    reach = np.exp(t.ppf(0.975, degrees) * np.sqrt(11 / 12 * float((change**2).sum())))
    robust = 8 / reach, 8 * reach
    limits = max(exact, robust, key=lambda pair: pair[1] - pair[0])
    assert limits == robust
    assert bare[6] == " – ".join(f"{100 * limit / item_years:.1f}" for limit in limits)
    assert bare[7] == nylon[7]
    assert bare[7].startswith("cannot tell yet; about ")
    assert "Garwood 1936" in page


@pytest.mark.parametrize("by", GROUPINGS)
def test_every_grouping_tells_groups_apart_and_adds_up(as_owner: Client, fleet: Fleet, by: str) -> None:
    table = rows(open_page(as_owner, f"{RATES}?by={by}"))
    assert sum(int(row[1]) for row in table) == 16
    assert len(table) == (1 if by == "part" else 2)


@pytest.mark.parametrize(
    ("query", "failures"),
    [
        ("part=track", 16),
        ("part=corner", None),
        ("component=bare+track", 8),
        ("mode=LIN-01", 4),
        ("construction=lined", 8),
        ("finish=dark", 8),
        ("facing=4", 8),
        ("shade=none", 8),
        ("coast=shore", 8),
        ("coast=unknown", 8),
        ("lot=L-7", 8),
        ("lot=unknown", 8),
        ("year=2020", 12),
        ("year=2021", 4),
        ("from=2022-01-01", 8),
        ("until=2021-12-31", 8),
        ("from=2021-01-01&until=2021-06-02&finish=white", 4),
        ("as_of=2021-12-31", 8),
        ("finish=dark&finish=white", 16),
    ],
)
def test_every_filter_narrows_and_the_way_down_finds_as_many(
    as_owner: Client, fleet: Fleet, query: str, failures: int | None
) -> None:
    query = query.replace("component=bare+track", f"component={fleet.track.pk}")
    query = query.replace("construction=lined", f"construction={fleet.liner and _construction('lined')}")
    query = query.replace("mode=LIN-01", f"mode={fleet.waves.pk}")
    page = open_page(as_owner, f"{RATES}?{query}")
    if failures is None:
        assert "No figure yet" in page
        return
    assert sum(int(row[1]) for row in rows(page)) == failures
    for row in rows(page):
        if row[1] != "0":
            behind = open_page(as_owner, link_of(page, row[0]))
            assert len(rows(behind)) == int(row[1])


def _construction(name: str) -> int:
    from units.models import Construction

    return Construction.objects.get(name=name).pk


def test_the_way_down_lists_just_the_findings_that_were_counted(as_owner: Client, fleet: Fleet) -> None:
    part = InstalledPart.objects.filter(component_type=fleet.track)[0]
    fleet.find(part, 1000, repeat=True)
    fleet.find(part, 1001, is_failure=False)
    page = open_page(as_owner, f"{RATES}?from=2021-01-01")
    behind = open_page(as_owner, link_of(page, "Bare track"))
    counted = Finding.objects.filter(
        installed_part__component_type=fleet.track, is_failure=True, repeat=False
    )
    assert sorted(row[3].split(",")[0] for row in rows(behind)) == sorted(f.unit.code for f in counted)
    assert "8 failures, of 10 findings in all." in plain(behind)


def test_what_was_left_out_is_said_with_the_way_to_it(as_owner: Client, fleet: Fleet) -> None:
    for unit in Unit.objects.all():
        CallFactory(site=unit.site, reported_at=datetime(2024, 6, 1, tzinfo=UTC))  # else they are silent
    page = open_page(as_owner, RATES)
    assert "Nothing: every finding counts" in page
    part = InstalledPart.objects.all()[0]
    fleet.find(part, 1000, repeat=True)
    fleet.find(fleet.fit(fleet.unit()), 10)
    page = open_page(as_owner, RATES)
    left_out = open_page(as_owner, link_saying(page, "1 finding is the same fault as one before"))
    assert [row[0] for row in rows(left_out)] == ["Sep 27, 2022"]
    unwatched = open_page(as_owner, link_saying(page, "1 failure was found while nobody watched the unit"))
    assert [row[0] for row in rows(unwatched)] == ["Jan 11, 2020"]


def test_page_file_and_command_say_the_same(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, f"{RATES}?by=finish")
    file = csv_rows(as_owner, RATES + link_saying(page, "Download CSV file"))
    out = io.StringIO()
    call_command("figures", "rates", "--by", "finish", "--json", stdout=out)
    document = json.loads(out.getvalue())["rows"]
    assert [row["color"] for row in file] == [row["finish"] for row in document]
    for mine, theirs, shown in zip(file, document, rows(page), strict=True):
        assert [int(mine[key]) for key in ("failures", "items", "sites")] == [
            theirs[key] for key in ("events", "items", "sites")
        ]
        assert [float(mine[key]) for key in ("item-years", "failures per 100 item-years")] == [
            theirs[key] for key in ("item_years", "rate")
        ]
        assert shown[1:4] == [mine["failures"], mine["items"], mine["sites"]]
        assert shown[-1] == mine["against the rest"]


def test_a_clear_difference_leads_the_page(as_owner: Client, fleet: Fleet) -> None:
    for number, part in enumerate(InstalledPart.objects.filter(component_type=fleet.track)):
        for again in range(4):
            fleet.find(part, 1100 + 40 * again + number)
    page = plain(open_page(as_owner, RATES))
    assert "Clearly worse than others of their kind: bare track (101 a year per 100)." in page
    assert "clearly higher than the rest: 7.0 times its rate" in page


def test_too_little_gives_counts_and_no_rate(as_owner: Client) -> None:
    fleet = Fleet()
    fleet.find(fleet.watched_part(), 10)
    page = plain(open_page(as_owner, RATES))
    assert "cannot tell yet: just under 5 part-years were watched; a rate takes 5 or more" in page


def test_no_failure_still_gives_an_upper_limit(as_owner: Client) -> None:
    fleet = Fleet()
    for _ in range(5):
        fleet.watched_part()
    (row,) = rows(open_page(as_owner, RATES))
    # Nothing in 25 years: the limit is 3.689 / 25 (half the 0.975 quantile of chi-squared with 2 degrees).
    assert row[1:7] == ["0", "5", "5", "25", "0", "0 – 14.8"]


def test_an_empty_register_says_what_a_figure_needs(as_owner: Client) -> None:
    page = open_page(as_owner, RATES)
    assert "Nothing was watched of what you ask for, so there is no rate." in page
    assert 'href="/imports/"' in page


@pytest.mark.parametrize(
    ("query", "sentence"),
    [
        ("from=31.2.2024", "“31.2.2024” is no day: write it as year, month and day"),
        ("from=2024-02-01&until=2024-01-01", "The first day, February 1, 2024, comes after the last"),
        ("part=wheel", "wheel"),
        ("by=taste", "taste"),
        ("mode=99999", "99999"),
        ("year=old", "“old” is no year fitted; write it as a number."),
    ],
)
def test_what_can_not_be_asked_is_said_on_the_form_and_nothing_is_lost(
    as_owner: Client, fleet: Fleet, query: str, sentence: str
) -> None:
    page = open_page(as_owner, f"{RATES}?{query}&lot=L-7", status=422)
    assert "This can’t be asked" in page
    assert sentence in plain(page)
    assert 'value="L-7"' in page
    assert "The numbers behind the picture" not in page


def test_names_are_never_read_as_markup(as_owner: Client) -> None:
    fleet = Fleet()
    hostile = ComponentTypeFactory(name="<script>alert(1)</script>\"'&", kind="track")
    for _ in range(6):
        fleet.find(fleet.watched_part(of=hostile), 10)
    page = open_page(as_owner, f"{RATES}?lot=%22%3E%3Cscript%3Ealert(2)%3C/script%3E")
    assert "<script>alert" not in page
    page = open_page(as_owner, RATES)
    assert "<script>alert" not in page.lower()
    assert "<script>alert(1)</script>\"'&" in plain(page.replace("<svg", "<!--").replace("</svg>", "-->"))


@pytest.mark.parametrize("many", [3, 30])
@pytest.mark.parametrize("by", ["component", "mode", "finish"])
def test_the_page_takes_the_same_few_queries_however_many_rows(
    as_owner: Client, many: int, by: str, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    fleet = Fleet()
    for number in range(many):
        made = ComponentTypeFactory(name=f"track {number}", kind="track")
        fleet.find(fleet.watched_part(of=made), 10)
    with django_assert_max_num_queries(27):
        open_page(as_owner, f"{RATES}?by={by}")


def test_small_groups_are_drawn_together_and_stand_in_a_funnel(as_owner: Client) -> None:
    fleet = Fleet()
    for number in range(40):
        unit = fleet.unit(SiteFactory(), finish="dark")
        fleet.watch(unit, 0)
        part = fleet.fit(unit, lot=f"L-{number % 5}")
        for time in range(4 if number % 5 == 0 else 1):
            fleet.find(part, 300 + 200 * time + number)
    page = open_page(as_owner, f"{RATES}?by=lot")
    assert "Drawn together" in page
    first, *others = rows(page)
    assert float(others[0][7]) > float(others[0][5])
    assert float(others[0][5]) < float(first[7]) < float(first[5])
    assert "The same as a funnel" in page
    (document,) = csv_rows(as_owner, f"{RATES}?by=lot&csv=1")[:1]
    assert f"{float(document['drawn together']):.1f}" == first[7]
    assert "Drawn together" not in open_page(as_owner, f"{RATES}?by=finish")


def test_the_strata_of_a_comparison_lead_to_their_findings(as_owner: Client) -> None:
    fleet = Fleet()
    for number in range(24):
        unit = fleet.unit(
            SiteFactory(), finish="dark" if number % 3 else "", facing=180, shade="none" if number % 2 else ""
        )
        fleet.watch(unit, 0)
        part = fleet.fit(unit, of=fleet.liner if number % 4 < 2 else fleet.track)
        fleet.find(part, 200 + 60 * number)
    page = open_page(as_owner, f"/figures/compare/?one={fleet.track.pk}&other={fleet.liner.pk}")
    table = next(part for part in page.split("<table")[1:] if "Sun</th>" in part)
    links = LINK.findall(table)
    assert len(links) > 6
    seen = 0
    for address, count in re.findall(r'<a href="([^"]*)">(\d+)</a>', table):
        behind = open_page(as_owner, html.unescape(address))
        assert len(rows(behind)) == int(count)
        seen += int(count)
    assert seen == 24
    assert "under 2 years old" in plain(open_page(as_owner, "/figures/findings/?age=0"))
    assert len(rows(open_page(as_owner, "/figures/findings/?age=0"))) == Finding.objects.count() - len(
        [n for n in range(24) if 200 + 60 * n > 730]
    )


def test_a_picture_of_many_lots_tells_those_without_a_rate_as_one(as_owner: Client) -> None:
    fleet = Fleet()
    for number in range(20):
        unit = fleet.unit(SiteFactory())
        fleet.watch(unit, 0)
        part = fleet.fit(unit, lot="L-A" if number < 4 else f"L-{number}")
        fleet.find(part, 400 + number)
    page = open_page(as_owner, f"{RATES}?by=lot")
    assert len(rows(page)) == 17
    picture = plain(page.split("<figcaption>")[0].split('<div class="charts')[1])
    assert "16 more" in picture
    assert "L-19" not in picture
    assert "L-A" in picture
