"""How often care is worth its while: the page, its file, its command, and the change of a rule."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from datetime import UTC, date, datetime
from math import log
from typing import Any

import numpy as np
import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from schedules.models import MaintenanceRule
from servicedesk.calls.models import Finding
from servicedesk.core.models import Change
from servicedesk.reports.histories import Window
from servicedesk.reports.maintenance.figure import maintenance_figure, maintenance_sentence
from servicedesk.reports.maintenance.since_maintenance import clock_from_maintenance
from servicedesk.reports.numerics.counts.jackknife import jackknife_rate
from servicedesk.reports.numerics.counts.rates import event_rate
from servicedesk.reports.numerics.prediction.policy import inspection
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.queries.maintenance import read_maintenance
from tests.factories import (
    CallFactory,
    FindingFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    SiteFactory,
    TaskFactory,
    WorkFactory,
)
from tests.servicedesk.reports.pages import csv_rows, link_saying, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet, day, up_to
from units.models import FailureMode, InstalledPart, Site

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
DAYS = 1826  # from January 1, 2020 to December 31, 2024
MAINTENANCE = "/figures/maintenance/"
MONTH = 365.25 / 12


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def fleet() -> Fleet:
    """Twelve tracks at six sites, cared for twice; they fail a year and more after care, hardly before."""
    fleet = Fleet()
    sites = [SiteFactory(care_by="us") for _ in range(6)]
    for number in range(12):
        unit = fleet.unit(sites[number % 6])
        fleet.watch(unit, 0)
        part = fleet.fit(unit)
        for on in (60 + number, 800 + number):
            WorkFactory(unit=unit, installed_part=None, kind="lubricated", done_on=day(on))
        for on in (650, 740, 1500 + 20 * number):
            fleet.find(part, on + number, detected="called")
        if number < 2:
            fleet.find(part, 900, detected="called")
            fleet.find(part, 20, detected="called")
            fleet.find(part, 1000, detected="care")
        WorkFactory(unit=unit, installed_part=part, kind="adjusted", minutes=90, done_on=day(1700))
    return fleet


@pytest.fixture
def rule(fleet: Fleet) -> MaintenanceRule:
    """Lubricate the track once a year."""
    made: MaintenanceRule = MaintenanceRuleFactory(
        component_type=fleet.track,
        name="lubricate the track",
        work="lubricated",
        interval_months=24,
        minutes=15,
    )
    for part in fleet.track.installed_parts.all():
        NextDueFactory(rule=made, installed_part=part)
    return made


def told(*arguments: str) -> str:
    """Run the command and give what it prints."""
    out = io.StringIO()
    call_command("figures", "maintenance", *arguments, stdout=out)
    return out.getvalue()


def test_the_range_since_care_rests_on_leaving_out_each_site() -> None:
    fleet = Fleet()
    units, failures = (8, 3, 3, 3, 3, 4), (1, 6, 5, 0, 6, 2)
    for number, failed in zip(units, failures, strict=True):
        site = SiteFactory(care_by="us")
        parts = [fleet.watched_part(site=site) for _ in range(number)]
        for part in parts:
            WorkFactory(unit=part.unit, installed_part=None, kind="lubricated", done_on=day(1700))
        for again in range(failed):
            fleet.find(parts[0], 1710 + 10 * again, detected="called")
    rule = MaintenanceRuleFactory(component_type=fleet.track, work="lubricated")
    first = maintenance_figure(up_to(DAYS), rule).bands[0]
    years = [number * (DAYS - 1700) / 365.25 for number in units]
    expected = jackknife_rate(failures, years, range(6))  # its own tests leave the sites out one by one
    limits = (100 * expected.low, 100 * expected.high)
    assert (first.judged.wide_low, first.judged.wide_high) == pytest.approx(limits)
    assert expected.high > 1.2 * event_rate(20, sum(years)).high


def test_failures_stand_by_the_time_since_care(as_owner: Client, fleet: Fleet, rule: MaintenanceRule) -> None:
    figure = maintenance_figure(up_to(DAYS), rule)
    assert [band.events for band in figure.bands] == [2, 0, 0, 36]
    assert figure.at_maintenance == 2
    assert figure.unknown_events == 2
    assert figure.unknown_years == pytest.approx(sum(60 + number for number in range(12)) / 365.25)
    years = sum(band.years for band in figure.bands)
    assert years + figure.unknown_years == pytest.approx(12 * DAYS / 365.25)
    first, *_, last = figure.bands
    # Twelve tracks, two cares each, 182.625 days after either.
    assert first.years == pytest.approx(24 * 6 * MONTH / 365.25)
    assert last.ratio is not None
    assert last.ratio[0] > 1


def test_the_best_interval_is_where_care_and_repairs_together_cost_least(
    fleet: Fleet, rule: MaintenanceRule
) -> None:
    figure = maintenance_figure(up_to(DAYS), rule, maintenance=40, failure=220)
    assert figure.shape is not None
    assert figure.shape[1] > 1
    assert figure.best is not None
    assert figure.at_limits is not None
    assert figure.now is not None
    assert figure.least is not None
    assert figure.least < figure.now
    assert figure.best[1] < figure.best[0] < figure.best[2]
    assert figure.better
    assert figure.saved == pytest.approx(12 * (figure.now - figure.least))
    assert "more often" in maintenance_sentence(figure)
    months = figure.months
    dearer = maintenance_figure(up_to(DAYS), rule, maintenance=80, failure=220)
    assert dearer.months > months
    # Barlow and Hunter (1960): cost of care and repairs a day, here looked at month by month.
    item, on, own = read_maintenance(figure.selection, work="lubricated")
    assert own.all()
    lifetimes, _, _ = clock_from_maintenance(
        read_histories(figure.selection, by="component", between_visits=True),
        Window(0, figure.selection.last.toordinal()),
        maintenance_item=item,
        maintenance_age=on,
    )
    shape = figure.shape[0]
    rate = 38 / float((lifetimes.stop**shape - lifetimes.start**shape).sum())
    cost = {month: (40 + 220 * rate * (month * MONTH) ** shape) / month * 12 for month in range(1, 61)}
    assert min(cost, key=cost.__getitem__) == months
    assert cost[24] == pytest.approx(figure.now)
    assert min(cost.values()) == pytest.approx(figure.least, rel=0.005)


def test_a_much_longer_interval_is_gone_to_in_steps(fleet: Fleet, rule: MaintenanceRule) -> None:
    rule.interval_months = 6
    rule.save()
    figure = maintenance_figure(up_to(DAYS), rule, maintenance=100, failure=220)
    assert figure.best is not None
    assert figure.best[0] > 9
    assert figure.months == 9
    assert "as a step every 9 months" in maintenance_sentence(figure)


def test_minutes_of_work_stand_in_for_costs_nobody_gave(fleet: Fleet, rule: MaintenanceRule) -> None:
    figure = maintenance_figure(up_to(DAYS), rule)
    assert (figure.costs.maintenance, figure.costs.failure, figure.costs.given) == (15, 90, False)


def test_without_a_clear_rise_the_usual_stays(as_owner: Client) -> None:
    other = Fleet()
    for number in range(12):
        unit = other.unit(SiteFactory())
        other.watch(unit, 0)
        part = other.fit(unit)
        WorkFactory(unit=unit, kind="lubricated", done_on=day(100))
        other.find(part, 110 + 130 * number, detected="called")
        CallFactory(site=unit.site, reported_at=datetime(2024, 12, 30, 15, tzinfo=UTC))  # still with us
    rule = MaintenanceRuleFactory(component_type=other.track, work="lubricated", interval_months=12)
    page = plain(open_page(as_owner, f"{MAINTENANCE}?rule={rule.pk}"))
    assert "Our records do not show an interval better than the usual 12 months" in page
    assert "failures do not clearly come faster" in page
    assert "Change the interval" not in page
    assert "Change this rule by hand" in page
    cheap = maintenance_figure(up_to(DAYS), rule, maintenance=100, failure=100)
    assert cheap.best is None


@pytest.fixture
def april() -> MaintenanceRule:
    """Twelve tracks at six sites, lubricated each April 15; they fail in winter, late after care."""
    fleet, sites = Fleet(), [SiteFactory(care_by="us") for _ in range(6)]
    for number in range(12):
        unit = fleet.unit(sites[number % 6])
        fleet.watch(unit, 0)
        part = fleet.fit(unit)
        for year in range(2020, 2025):
            WorkFactory(unit=unit, kind="lubricated", done_on=date(year, 4, 15))
        for winter in (290, 690, 1050, 1400):
            fleet.find(part, winter + 5 * number, detected="called")
    made: MaintenanceRule = MaintenanceRuleFactory(
        component_type=fleet.track, name="lubricate the track", work="lubricated", interval_months=12
    )
    return made


def test_what_may_be_the_season_is_not_put_down_to_missing_care(
    as_owner: Client, april: MaintenanceRule
) -> None:
    figure = maintenance_figure(up_to(DAYS), april)
    said = maintenance_sentence(figure)
    assert figure.best is None
    assert figure.shape is None
    assert said.startswith("Our records do not show an interval better than the usual 12 months: none of 48")
    assert "the records can't tell the season from maintenance; it takes 10" in said
    assert "30 of 30 maintenance visits fell into April" in said
    assert "maintenance in another month than the year before, or of some units in another month" in said
    # What can be said stays: the rate in each stretch, with its exact range.
    assert [band.judged.rate is not None for band in figure.bands[:2]] == [True, True]
    assert figure.bands[1].reason == (
        "no failures in months of the year in which a site had both; it takes 6"
    )
    page = plain(open_page(as_owner, f"{MAINTENANCE}?rule={april.pk}"))
    assert said in page
    assert csv_rows(as_owner, f"{MAINTENANCE}?rule={april.pk}&csv=1")[0]["what the records say"] == said
    document = json.loads(told("--rule", "bare track: lubricate the track", "--json"))
    assert (document["sentence"], document["clear"]) == (said, False)
    assert said in plain(open_page(as_owner, "/figures/year/?from=2020-01-01&until=2024-12-31"))


def test_a_rise_that_the_month_of_the_year_explains_is_called_one(april: MaintenanceRule) -> None:
    # One site had its care in October 2021 too, and failed as often that winter as the one before.
    for part in InstalledPart.objects.filter(unit__site=Site.objects.order_by("pk").first()):
        WorkFactory(unit=part.unit, kind="lubricated", done_on=date(2021, 10, 15))
        for on in (305, 312, 319, 326, 670, 677, 684, 695):
            FindingFactory(installed_part=part, mode=FailureMode.objects.get(code="TRK-01"), found_on=day(on))
    figure = maintenance_figure(up_to(DAYS), april)
    assert figure.shape is not None
    assert figure.shape[1] < 1
    assert figure.reason.startswith(
        "more fails the longer ago the maintenance was, but within one month of the year not"
    )


def test_care_that_came_with_a_repair_lets_the_clock_run_on(as_owner: Client) -> None:
    fleet = Fleet()
    unit = fleet.unit()
    fleet.watch(unit, 0)
    part = fleet.fit(unit)
    call = CallFactory(site=unit.site)
    works: list[dict[str, Any]] = [{"done_on": day(100)}]
    # By its call, its finding, or the day: three repairs that also lubricated the track.
    fleet.find(part, 300, detected="called", call=call)
    works.append({"done_on": day(310), "call": call})
    works.append({"done_on": day(620), "finding": fleet.find(part, 600, detected="called")})
    fleet.find(part, 900, detected="")
    works.append({"done_on": day(900)})
    # A failure first seen on a care visit brought nobody there, nor one on the day of a task of its own.
    works.append({"done_on": day(1000), "finding": fleet.find(part, 1000, detected="care")})
    fleet.find(part, 1100, detected="called")
    works.append({"done_on": day(1100), "task": TaskFactory(unit=unit)})
    for work in works:
        WorkFactory(unit=unit, kind="lubricated", **work)
    fleet.find(part, 1110, detected="called")
    rule = MaintenanceRuleFactory(component_type=fleet.track, work="lubricated", interval_months=12)
    figure = maintenance_figure(up_to(DAYS), rule)
    assert (figure.cares, figure.with_repairs) == (6, 3)
    # 300, 600 and 900 are counted from day 100, 1100 from day 1000, 1110 from day 1100.
    assert [band.events for band in figure.bands] == [2, 1, 1, 1]
    page = open_page(as_owner, f"{MAINTENANCE}?rule={rule.pk}")
    assert "3 of 6 times that such a part was lubricated came with the repair of a failure" in plain(page)
    counted = re.findall(r'<a href="(/figures/findings/[^"]*)">(\d+)</a>', page)
    assert [int(count) for _, count in counted] == [2, 1, 1, 1]
    for address, count in counted:
        assert f"{count} failure" in plain(open_page(as_owner, html.unescape(address)))
    document = json.loads(told("--rule", f"bare track: {rule.name}", "--json"))
    assert (document["times_cared_for"], document["of_these_with_a_repair"]) == (6, 3)


def test_an_interval_that_may_be_as_good_is_not_called_worse(
    as_owner: Client, fleet: Fleet, rule: MaintenanceRule
) -> None:
    figures = [maintenance_figure(up_to(DAYS), rule, maintenance=cost, failure=220) for cost in (40, 135)]
    assert [figure.better for figure in figures] == [True, False]
    unclear = figures[1]
    assert unclear.best is not None
    assert unclear.best[2] < 24
    said = maintenance_sentence(unclear)
    assert "more often may cost less, but the records do not show it clearly" in said
    assert "at the limits of the shape" in said
    page = open_page(as_owner, f"{MAINTENANCE}?rule={rule.pk}&maintenance_cost=135&failure_cost=220")
    assert said in plain(page)
    assert "not clearly better than the usual" in page
    assert "Change the interval" not in page


def test_ten_failures_are_asked_for(fleet: Fleet, rule: MaintenanceRule) -> None:
    Finding.objects.filter(found_on__gt=day(655)).delete()
    figure = maintenance_figure(up_to(DAYS), rule)
    assert figure.best is None
    assert figure.reason == "6 failures between maintenance visits; it takes 10"


def test_failures_must_cost_more_than_the_care(fleet: Fleet, rule: MaintenanceRule) -> None:
    figure = maintenance_figure(up_to(DAYS), rule, maintenance=200, failure=100)
    assert figure.best is None
    assert figure.reason == "a failure costs no more than the maintenance that prevents it"


def test_an_interval_longer_than_anybody_waited_is_not_given() -> None:
    fleet, sites = Fleet(), [SiteFactory() for _ in range(3)]
    for site in sites:
        CallFactory(site=site, reported_at=datetime(2024, 12, 30, 15, tzinfo=UTC))  # still with us
    for number in range(90):
        unit = fleet.unit(sites[number % 3])
        fleet.watch(unit, 0, 720)
        part = fleet.fit(unit)
        WorkFactory(unit=unit, kind="lubricated", done_on=day(1))
        # Failures as a power of 1.6 of the time since care has them, at even steps of its chances.
        fleet.find(part, 2 + round(718 * ((number + 0.5) / 90) ** (1 / 1.6)), detected="called")
    rule = MaintenanceRuleFactory(component_type=fleet.track, work="lubricated")
    figure = maintenance_figure(up_to(DAYS), rule, maintenance=99, failure=100)
    assert figure.shape is not None
    assert figure.shape[1] > 1
    assert figure.best is None
    assert figure.reason.startswith("the best interval would be longer than the 23.6 months that parts went")


def test_looks_for_hidden_defects_go_by_their_own_rule(
    as_owner: Client, fleet: Fleet, rule: MaintenanceRule
) -> None:
    rule.work, rule.interval_months = "checked", 24
    rule.save()
    assert "say what one inspection and a year with a hidden defect cost you" in plain(
        open_page(as_owner, f"{MAINTENANCE}?rule={rule.pk}")
    )
    figure = maintenance_figure(up_to(DAYS), rule, maintenance=20, failure=400)
    # Barlow and Proschan (1965): the square root of 2 looks / (rate x hidden cost); 42 failures of 12 parts.
    rate = 42 / (12 * DAYS / 365.25)
    assert figure.best is not None
    assert figure.best[0] == pytest.approx(12 * (2 * 20 / (rate * 400)) ** 0.5)
    assert inspection(rate, 20, 400).interval * 12 == pytest.approx(figure.best[0])
    assert figure.least == pytest.approx((2 * 20 * rate * 400) ** 0.5)


def test_the_owner_changes_the_care_plan_and_the_history_says_why(
    as_owner: Client, fleet: Fleet, rule: MaintenanceRule
) -> None:
    page = open_page(as_owner, f"{MAINTENANCE}?rule={rule.pk}&maintenance_cost=40&failure_cost=220")
    assert "Change the interval" in page
    action = re.findall(r'action="([^"]*)"', page)[0]
    months = int(re.findall(r'name="months" value="(\d+)"', page)[0])
    why = html.unescape(re.findall(r'name="why" value="([^"]*)"', page)[0])
    answer = as_owner.post(action, {"months": months, "why": why})
    assert answer.url == reverse("schedules:change_maintenance_rule", args=[rule.pk])
    rule.refresh_from_db()
    assert rule.interval_months == months
    change = Change.objects.about(rule).order_by("-pk")[0]
    assert "because figures of December 31, 2024" in change.action
    assert change.by is not None
    assert (change.fields.get().before, change.fields.get().after) == ("24", str(months))


@pytest.mark.parametrize(
    ("form_data", "said"),
    [
        ({"months": "0", "why": "x"}, "The interval runs from 1 to 240 months."),
        ({"months": "", "why": "x"}, "Say every how many months."),
        ({"months": "9", "why": ""}, "Say why the interval changes."),
    ],
)
def test_a_change_without_sense_is_refused(
    as_owner: Client, fleet: Fleet, rule: MaintenanceRule, form_data: dict[str, str], said: str
) -> None:
    answer = as_owner.post(f"{MAINTENANCE}{rule.pk}/interval/", form_data, follow=True)
    assert said in plain(answer.content.decode())
    rule.refresh_from_db()
    assert rule.interval_months == 24


def test_only_the_owner_changes_it(as_scheduler: Client, fleet: Fleet, rule: MaintenanceRule) -> None:
    assert (
        as_scheduler.post(f"{MAINTENANCE}{rule.pk}/interval/", {"months": "9", "why": "x"}).status_code == 403
    )


def test_every_number_leads_to_its_findings(as_owner: Client, fleet: Fleet, rule: MaintenanceRule) -> None:
    page = open_page(as_owner, f"{MAINTENANCE}?rule={rule.pk}")
    counted = re.findall(r'<a href="(/figures/findings/[^"]*)">(\d+)</a>', page)
    assert [int(count) for _, count in counted] == [2, 36]
    for address, count in counted:
        assert f"{count} failures" in plain(open_page(as_owner, html.unescape(address)))
    for words, count in (("first seen on a maintenance visit", 2), ("came before we had lubricated", 2)):
        behind = open_page(as_owner, link_saying(page, words))
        assert len(rows(behind)) == count
    assert "time since lubricated" in plain(open_page(as_owner, html.unescape(counted[0][0])))


def test_page_file_and_command_agree_to_the_last_digit(
    as_owner: Client, fleet: Fleet, rule: MaintenanceRule
) -> None:
    query = f"?rule={rule.pk}&maintenance_cost=40&failure_cost=220"
    arguments = (
        "--rule",
        "bare track: lubricate the track",
        "--maintenance-cost",
        "40",
        "--failure-cost",
        "220",
    )
    from_page = csv_rows(as_owner, f"{MAINTENANCE}{query}&csv=1")
    assert list(csv.DictReader(io.StringIO(told(*arguments, "--csv")))) == from_page
    document = json.loads(told(*arguments, "--json"))
    assert [float(row["item-years"]) for row in from_page] == [row["item_years"] for row in document["rows"]]
    assert float(from_page[0]["best interval in months"]) == document["best_months"]["value"]
    assert float(from_page[0]["cost of a part a year now"]) == document["cost_now"]
    assert f"{document['best_months']['value']:.1f} months" in plain(open_page(as_owner, MAINTENANCE + query))


def test_the_age_to_replace_at_is_where_the_cost_is_least(as_owner: Client) -> None:
    fleet, sites = Fleet(), [SiteFactory() for _ in range(5)]
    for number in range(40):
        unit = fleet.unit(sites[number % 5])
        fleet.watch(unit, 0)
        # A life of shape 3 and scale 1,500 days at even steps of its chances.
        age = round(1500 * (-log(1 - (number + 0.5) / 40)) ** (1 / 3))
        part = fleet.fit(unit)
        if age < DAYS:
            fleet.find(part, age)
    rule = MaintenanceRuleFactory(component_type=fleet.track)
    figure = maintenance_figure(up_to(DAYS), rule, maintenance=1, failure=100, replacing=10).replacing
    assert figure.best is not None
    # Barlow and Hunter (1960), by looking at every day: cost over mean time in place, survival summed by day.
    alive = np.exp(-((np.arange(1, 1800) / 1500) ** 3))
    cost = (10 * alive + 100 * (1 - alive)) / np.cumsum(alive)
    assert 365.25 * figure.best[0] == pytest.approx(int(np.argmin(cost)) + 1, rel=0.05)
    assert figure.best[1] < figure.best[0] < figure.best[2]
    assert figure.at_limits is not None
    said = {
        None: "say what replacing one before it fails costs",
        200.0: "a failure costs no more than replacing the part in time",
        99.0: "the best age would be above",
    }
    for planned, reason in said.items():
        figure = maintenance_figure(
            up_to(DAYS), rule, maintenance=1, failure=100, replacing=planned
        ).replacing
        assert figure.reason.startswith(reason)
    page = plain(
        open_page(
            as_owner, f"{MAINTENANCE}?rule={rule.pk}&maintenance_cost=1&failure_cost=100&replace_cost=10"
        )
    )
    assert "cost within 5 % of the least; at the limits of its life’s shape" in page
    Finding.objects.filter(found_on__gt=day(700)).delete()
    few = maintenance_figure(up_to(DAYS), rule, maintenance=1, failure=100, replacing=10).replacing
    assert "first failures; it takes 10" in few.reason


def test_no_age_is_given_where_parts_do_not_wear_out() -> None:
    fleet, sites = Fleet(), [SiteFactory() for _ in range(5)]
    for number in range(40):
        unit = fleet.unit(sites[number % 5])
        fleet.watch(unit, 0)
        # Half of them fail soon, by chance alone: an exponential life at even steps of its chances.
        age = round(-1500 * log(1 - (number + 0.5) / 40)) + 1
        part = fleet.fit(unit)
        if age < DAYS:
            fleet.find(part, age)
    rule = MaintenanceRuleFactory(component_type=fleet.track)
    figure = maintenance_figure(up_to(DAYS), rule, maintenance=1, failure=100, replacing=10).replacing
    assert figure.reason == "the records do not show clearly that it wears out"


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("replace_cost=5", "Give what one maintenance and one failure cost too"),
        ("rule=999999", "Select a valid choice"),
        ("maintenance_cost=5", "Give both costs, in the same money, or neither."),
        ("maintenance_cost=-1&failure_cost=5", "A cost is more than nothing"),
    ],
)
def test_bad_questions_are_answered_with_a_sentence(
    as_owner: Client, fleet: Fleet, rule: MaintenanceRule, query: str, said: str
) -> None:
    assert said in plain(open_page(as_owner, f"{MAINTENANCE}?{query}", status=422))


def test_without_a_rule_those_in_force_are_offered(
    as_owner: Client, fleet: Fleet, rule: MaintenanceRule
) -> None:
    page = open_page(as_owner, MAINTENANCE)
    assert "lubricate the track" in page
    rule.active = False
    rule.save()
    assert "No maintenance rules in force" in open_page(as_owner, MAINTENANCE)
    with pytest.raises(CommandError, match=r"is no maintenance rule\. There are none in force"):
        told("--rule", "oil it")


def test_findings_some_odd_time_after_care_can_not_be_asked_for(as_owner: Client) -> None:
    said = plain(open_page(as_owner, "/figures/findings/?since=oiled:9", status=422))
    assert "is no time since maintenance" in said
