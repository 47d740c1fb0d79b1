"""What the next twelve months will take: page, file and command against sums done another way."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.test import Client
from scipy.stats import nbinom

from servicedesk.calls.models import Finding
from servicedesk.reports.forecast.figure import Assumptions, forecast_figure
from servicedesk.reports.numerics.survival.trend import fit_power_law
from tests.factories import SiteFactory, WorkFactory
from tests.servicedesk.reports.pages import csv_rows, link_of, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet, day, up_to
from units.models import InstalledPart

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
DAYS = 1826  # from January 1, 2020 to December 31, 2024
YEAR = 365.25
AHEAD = "/figures/forecast/"


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def fleet() -> Fleet:
    """Thirty tracks at ten sites that wear out, and four liners of which five failures are known."""
    fleet = Fleet()
    sites = [SiteFactory() for _ in range(10)]
    for number in range(30):
        unit = fleet.unit(sites[number % 10])
        fleet.watch(unit, 0)
        part = fleet.fit(unit, 30 * number)
        for time in range(3):
            # At even steps of the time in which a power of age of 1.5 comes about.
            age = int(1700 * ((time + (7 * number % 30 + 0.5) / 30) / 3) ** (1 / 1.5)) + 1
            if 30 * number + age < DAYS:
                finding = fleet.find(part, 30 * number + age)
                WorkFactory(
                    unit=part.unit,
                    installed_part=part,
                    finding=finding,
                    kind="replaced",
                    pieces=2,
                    done_on=finding.found_on,
                )
    for number in range(4):
        unit = fleet.unit(sites[number])
        fleet.watch(unit, 0)
        part = fleet.fit(unit, of=fleet.liner)
        fleet.find(part, 700 + number)
        if number == 0:
            fleet.find(part, 900)
    return fleet


def told(*arguments: str) -> str:
    """Run the command and give what it prints."""
    out = io.StringIO()
    call_command("figures", "forecast", *arguments, stdout=out)
    return out.getvalue()


def test_failures_that_come_with_age_are_added_up_over_the_ages_in_place(fleet: Fleet) -> None:
    row = forecast_figure(up_to(DAYS), Assumptions()).rows[0]
    parts = list(InstalledPart.objects.filter(component_type=fleet.track))
    events = [[(f.found_on - part.fitted_on).days for f in part.findings.all()] for part in parts]
    ages = [(day(DAYS) - part.fitted_on).days for part in parts]
    law = fit_power_law(events, [0] * len(ages), ages)  # Crow (1975), checked against published fits
    whole = sum(law.rate * ((age + YEAR) ** law.shape - age**law.shape) for age in ages)
    assert row.method == "by age"
    assert row.year.mean == pytest.approx(row.trend * whole, rel=1e-9)
    assert 0.7 < row.trend < 1.4
    assert row.year.low < row.year.mean < row.year.high
    assert sum(month.mean for month in row.months) == pytest.approx(row.year.mean)
    assert row.items == 30
    warranty = sum(
        law.rate * ((age + min(max(5 * YEAR - age, 0), YEAR)) ** law.shape - age**law.shape) for age in ages
    )
    assert row.in_warranty == pytest.approx(warranty / whole)


def test_few_failures_go_on_at_the_rate_so_far(fleet: Fleet) -> None:
    row = forecast_figure(up_to(DAYS), Assumptions(level=0.9, vans=1)).rows[1]
    assert (row.method, row.events, row.items) == ("at the rate so far", 5, 4)
    # Nelson (1982): 5 failures (and half of one) in 4 x 1826 days, 4 items for a year to come. The liners are
    # of the tracks' kind, so the sites of both say how failures bunch; here they do not.
    mean = 5.5 * 4 * YEAR / (4 * DAYS)
    odds = 4 * DAYS / YEAR / (4 * DAYS / YEAR + 4)
    assert row.year.mean == pytest.approx(mean)
    assert (row.year.low, row.year.high) == tuple(nbinom.ppf([0.025, 0.975], 5.5, odds))
    assert row.pieces_each is None
    assert (row.shelf, row.van) == (None, None)


def test_stock_is_the_least_number_that_does_as_often_as_asked(fleet: Fleet) -> None:
    sure, unsure = (forecast_figure(up_to(DAYS), Assumptions(level=level)).rows[0] for level in (0.99, 0.5))
    assert sure.pieces_each == 2.0
    assert sure.pieces == pytest.approx(2 * sure.year.mean)
    assert sure.shelf > unsure.shelf
    assert sure.shelf % 2 == 0
    assert sure.year.low <= unsure.shelf / 2 <= sure.year.high
    vans = [forecast_figure(up_to(DAYS), Assumptions(vans=vans)).rows[0].van for vans in (1, 4)]
    assert vans[0] > vans[1]


def test_only_what_is_in_place_and_watched_is_reckoned_with(fleet: Fleet) -> None:
    part = InstalledPart.objects.filter(component_type=fleet.liner).order_by("pk")[0]
    part.removed_on = day(1700)
    part.save()
    other = InstalledPart.objects.filter(component_type=fleet.liner).order_by("pk")[2]
    other.unit.periods.update(until_on=day(1800), ended="lapsed")
    ageless = InstalledPart.objects.filter(component_type=fleet.liner).order_by("pk")[3]
    ageless.age_known = False
    ageless.save()
    row = forecast_figure(up_to(DAYS), Assumptions()).rows[1]
    assert (row.items, row.ageless) == (2, 1)


def test_items_of_unknown_age_are_taken_to_fail_as_the_others(fleet: Fleet) -> None:
    before = forecast_figure(up_to(DAYS), Assumptions()).rows[0]
    for _ in range(15):
        unit = fleet.unit()
        fleet.watch(unit, DAYS - 1)
        fleet.fit(unit, age_known=False)
    after = forecast_figure(up_to(DAYS), Assumptions()).rows[0]
    assert after.ageless == 15
    assert after.year.mean == pytest.approx(1.5 * before.year.mean)
    assert before.year.high < after.year.high <= 1.5 * before.year.high + 1


def test_ages_nobody_has_watched_enough_of_are_marked(fleet: Fleet) -> None:
    row = forecast_figure(up_to(DAYS), Assumptions()).rows[0]
    # The fifth oldest of the 30 tracks, each 30 days younger than the one before, is 1826 - 120 days old.
    stop = DAYS - 4 * 30
    ages = [DAYS - 30 * number for number in range(30)]
    past = [min(max(age + YEAR - max(age, stop), 0), YEAR) for age in ages]
    assert row.beyond == pytest.approx(sum(past) / (30 * YEAR))


def test_with_two_failures_only_the_upper_end_is_told(as_owner: Client) -> None:
    fleet = Fleet()
    parts = [fleet.watched_part() for _ in range(6)]
    fleet.find(parts[0], 900)
    fleet.find(parts[1], 1000)
    page = open_page(as_owner, AHEAD)
    assert "at most" in rows(page)[0][3]
    assert "2 failures so far; a forecast takes 3 or more" in plain(page)
    assert "The records cannot tell yet" in page
    assert "nan" not in page.lower().replace("maintenance", "")


def test_an_empty_register_says_how_to_begin(as_owner: Client) -> None:
    page = open_page(as_owner, AHEAD)
    assert "nothing to expect" in page
    assert "No figure yet" in page


def test_page_file_and_command_agree_to_the_last_digit(as_owner: Client, fleet: Fleet) -> None:
    query = "?part=track&level=90&vans=3&warranty=4"
    arguments = ("--part", "track", "--level", "90", "--vans", "3", "--warranty", "4")
    from_page = csv_rows(as_owner, f"{AHEAD}{query}&csv=1")
    assert list(csv.DictReader(io.StringIO(told(*arguments, "--csv")))) == from_page
    document = json.loads(told(*arguments, "--json"))
    page = open_page(as_owner, AHEAD + query)
    shown = {row[0]: row for row in rows(page)}
    for row in document["rows"]:
        same = next(
            each
            for each in from_page
            if each["type of part"] == row["component"] and each["when"] == "twelve months"
        )
        assert float(same["failures to expect"]) == row["year"]["mean"]
        assert int(same["to (95 %)"]) == row["year"]["high"]
        cells = shown[row["component"].capitalize()]
        assert cells[4] == f"{row['year']['low']} – {row['year']['high']}"
    whole = next(each for each in from_page if each["type of part"] == "all types")
    assert float(whole["failures to expect"]) == document["whole"]["mean"]
    assert f"about {document['whole']['mean']:,.0f} failures" in plain(page)


def test_every_number_leads_to_its_findings(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, AHEAD)
    for name, part in (("Bare track", fleet.track), ("Nylon liner", fleet.liner)):
        row = next(row for row in rows(page) if row[0] == name)
        assert int(row[2]) == Finding.objects.filter(installed_part__component_type=part).count()
        assert f"{row[2]} failures" in plain(open_page(as_owner, link_of(page, name)))


def test_seasons_carry_failures_to_the_months_in_which_they_were_found(fleet: Fleet) -> None:
    row = forecast_figure(up_to(DAYS), Assumptions()).rows[1]
    # The tracks' failures add to the season of their kind, and every calendar month begins with two.
    months = np.zeros(12)
    for part in InstalledPart.objects.all():
        for finding in part.findings.all():
            # Five years less a quarter of a day hold four whole ones.
            if (day(DAYS) - finding.found_on) < timedelta(days=int(4 * YEAR)):
                months[finding.found_on.month - 1] += 1
    weights = months + 2
    # The month after 31 December is January.
    expected = row.year.mean * weights / weights.sum()
    assert [month.mean for month in row.months] == pytest.approx(expected.tolist())


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("level=100", "No stock is always enough: take 50 to 99 percent."),
        ("level=10", "Less than 50 percent"),
        ("vans=0", "Take 1 to 50 vans"),
        ("warranty=-1", "Take 0 to 50 years."),
        ("warranty=nan", "Enter a number."),
        ("from=2030-01-01", "comes after the last"),
    ],
)
def test_bad_questions_are_answered_with_a_sentence(
    as_owner: Client, fleet: Fleet, query: str, said: str
) -> None:
    assert said in plain(open_page(as_owner, f"{AHEAD}?{query}", status=422))
    name, value = query.split("=")
    with pytest.raises(CommandError, match=f"--{name}: "):
        told(f"--{name}={value}")
