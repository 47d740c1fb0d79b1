"""The nightly look at lots and types: what it flags and clears, the page, and the inspections that follow."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.conf import settings
from django.core.management import call_command
from django.test import Client
from scipy.stats import binom

from schedules.models import MaintenanceTask
from schedules.operations import add_inspections
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.reports import tasks
from servicedesk.reports.models import LotFlag, SurveyMark, ThinLot
from servicedesk.reports.operations import run_surveillance
from servicedesk.reports.surveillance import lots as lot_surveillance
from servicedesk.reports.surveillance.figure import thin_words
from servicedesk.reports.words import amount
from tests.factories import OwnershipFactory, SiteFactory, UnitFactory
from tests.servicedesk.reports.pages import csv_rows, link_of, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet, day
from units.models import InstalledPart, Unit

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
TODAY = date(2024, 12, 31)
WATCH = "/figures/surveillance/"


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


def lots(*, bad: int = 3, failures: int = 8) -> Fleet:
    """Five lots of six tracks at sites of their own; each lot failed a little, lot L-0 often."""
    fleet = Fleet()
    for number in range(30):
        unit = fleet.unit(SiteFactory())
        OwnershipFactory(site=unit.site)
        fleet.watch(unit, 0)
        part = fleet.fit(unit, lot=f"L-{number % 5}")
        if number in (6, 12, 18):
            fleet.find(part, 900 + number)
        if number % 5 == 0 and number < 5 * bad:
            for turn in range(failures // bad + 1):
                fleet.find(part, 400 + 150 * turn + number)
    return fleet


def test_a_bad_lot_is_flagged_with_its_chance() -> None:
    lots()
    charts = {each.lot: each for each in lot_surveillance.survey_lots(TODAY).charts}
    bad = charts["L-0"]
    assert (bad.events, bad.failed_sites, bad.items, bad.sites) == (9, 3, 6, 6)
    assert bad.flagged
    assert not any(each.flagged for lot, each in charts.items() if lot != "L-0")
    # Przyborowski and Wilenski (1940), by scipy: of 12 failures 9 or more, each the lot's own with the chance
    # of what was expected to all; five years of age, all lots watched alike, so a quarter of the others' 3.
    assert bad.expected == pytest.approx(3 / 4, rel=0.01)
    assert bad.p_value is not None
    share = bad.expected / (bad.expected + 3)
    # Failures bunch at three sites, so each counts for less: the chance lies above that of single failures.
    assert bad.p_value > binom.sf(8, 12, share)
    assert bad.q_value is not None
    assert bad.p_value <= bad.q_value <= 0.1


def test_parts_of_no_known_lot_are_only_among_the_others() -> None:
    fleet = lots()
    for _ in range(10):
        fleet.fit(fleet.unit())
    unit = fleet.unit()
    fleet.watch(unit, 0)
    fleet.fit(unit)
    lot_names = [each.lot for each in lot_surveillance.survey_lots(TODAY).charts]
    assert sorted(lot_names) == ["", "L-0", "L-1", "L-2", "L-3", "L-4"]


def test_three_failures_at_one_site_are_no_flag() -> None:
    lots(bad=1, failures=9)
    charts = {each.lot: each for each in lot_surveillance.survey_lots(TODAY).charts}
    assert charts["L-0"].events == 10
    assert not charts["L-0"].enough
    assert not charts["L-0"].flagged


def test_a_lot_that_runs_wild_of_late_is_flagged_for_that() -> None:
    fleet = lots(bad=0)
    for number, part in enumerate(InstalledPart.objects.filter(lot="L-1").order_by("pk")[:4]):
        for turn in range(3):
            fleet.find(part, 1700 + 20 * turn + number)
    charts = {each.lot: each for each in lot_surveillance.survey_lots(TODAY).charts}
    late = charts["L-1"]
    assert late.rising
    assert late.running is not None
    assert late.limit is not None
    assert late.running > late.limit > 0
    # Thirteen failures, less the allowance for what was expected: (2 - 1) / ln 2 times it.
    assert 13 - late.running < 1.5 * late.expected


def test_the_nightly_look_raises_once_and_clears_when_it_is_over() -> None:
    lots()
    first = run_surveillance(today=TODAY, at=NOON)
    assert (first.raised, first.cleared) == (first.open, 0)
    flag = LotFlag.objects.get(way=LotFlag.Way.OVER_ALL)
    assert (flag.lot, flag.events, flag.raised_on, flag.cleared_on) == ("L-0", 9, TODAY, None)
    again = run_surveillance(today=TODAY + timedelta(days=1), at=NOON)
    assert (again.open, again.raised, again.cleared) == (first.open, 0, 0)
    flag.refresh_from_db()
    assert flag.raised_on == TODAY
    InstalledPart.objects.filter(lot="L-0").order_by("pk")[0].findings.all().delete()
    InstalledPart.objects.filter(lot="L-0").order_by("pk")[1].findings.all().delete()
    over = run_surveillance(today=TODAY + timedelta(days=2), at=NOON)
    assert over.open == 0
    assert over.cleared == first.open
    flag.refresh_from_db()
    assert flag.cleared_on == TODAY + timedelta(days=2)
    assert flag.events == 9
    mark = SurveyMark.objects.get()
    assert (mark.lots, mark.types) == (5, 1)


def test_the_clock_looks_every_night() -> None:
    entry = settings.CELERY_BEAT_SCHEDULE["watch lots and types"]
    assert entry["task"] == "reports.run_surveillance"
    assert (entry["schedule"].hour, entry["schedule"].minute) == ({3}, {0})
    lots()
    said = tasks.run_surveillance()
    assert said.startswith("2 flags on lots and types, 2 of them new; 0 cleared; about 0.")
    assert said.endswith(" a year to be expected")
    out = io.StringIO()
    call_command("run_surveillance", stdout=out)
    assert out.getvalue().startswith("2 flags on lots and types, 0 of them new; 0 cleared; about 0.")


def test_page_file_and_command_agree(as_owner: Client) -> None:
    lots()
    run_surveillance(today=TODAY, at=NOON)
    page = open_page(as_owner, WATCH)
    assert "Lot L-0 of bare track fails too often: 9 failures at 3 sites" in plain(page)
    (row,) = rows(page)
    assert row[1] == "more failures than expected of late; more failures than the others, over all"
    assert row[3:5] == ["9", "0.75"]
    behind = open_page(as_owner, html.unescape(re.findall(r'<a href="([^"]*)">9</a>', page)[0]))
    assert len(rows(behind)) == 9
    from_page = csv_rows(as_owner, f"{WATCH}?csv=1")
    out = io.StringIO()
    call_command("figures", "lots", "--csv", stdout=out)
    assert list(csv.DictReader(io.StringIO(out.getvalue()))) == from_page
    out = io.StringIO()
    call_command("figures", "lots", "--json", stdout=out)
    document = json.loads(out.getvalue())
    assert float(from_page[0]["failures expected"]) == document["rows"][0]["expected"]
    assert float(from_page[1]["share of false alarms"]) == document["rows"][1]["q_value"]


def test_the_page_the_file_and_the_report_say_how_many_are_false(as_owner: Client) -> None:
    fleet = lots()
    # Without a failure at the age the parts now have, none would be expected of the coming year.
    fleet.find(InstalledPart.objects.filter(lot="L-2").order_by("pk")[5], 1700)
    run_surveillance(today=TODAY, at=NOON)
    mark = SurveyMark.objects.get()
    assert mark.tested == 5
    # One false alarm in ten years of late, and something over all.
    assert mark.false_a_year is not None
    assert 0.1 < mark.false_a_year < 0.5
    words = (
        "Of 5 lots and 1 type 5 could be compared with others. Where nothing is wrong such checks "
        "still raise "
        f"flags by chance: about {amount(mark.false_a_year)} false one a year to be expected."
    )
    assert words in plain(open_page(as_owner, WATCH))
    document = figures("lots", "--json")
    assert document["false_sentence"] == words
    assert document["false_a_year"] == mark.false_a_year
    assert words in json.dumps(figures("year", "--json"), ensure_ascii=False)


def test_a_look_of_an_older_version_promises_nothing(as_owner: Client) -> None:
    lots()
    run_surveillance(today=TODAY, at=NOON)
    SurveyMark.objects.update(tested=None, false_a_year=None)
    assert "by chance:" not in plain(open_page(as_owner, WATCH))


def test_a_lot_that_failed_too_seldom_is_refused_with_what_would_change_it(as_owner: Client) -> None:
    fleet = lots(bad=0)
    part = InstalledPart.objects.filter(lot="L-4").order_by("pk")[0]
    for turn in range(2):
        fleet.find(part, 700 + turn)
    run_surveillance(today=TODAY, at=NOON)
    lot = ThinLot.objects.get(lot="L-4")
    assert (lot.events, lot.failed_sites, lot.items) == (2, 1, 6)
    words = "cannot tell yet: it takes 3 failures at 2 sites; this lot has 2 at 1"
    # Garwood (1936): the exact limits of a Poisson count of 2 are 0.2422 and 7.2247.
    low, high = 100 * 0.2422 / lot.years, 100 * 7.2247 / lot.years
    page = plain(open_page(as_owner, WATCH))
    assert words.capitalize() in page
    assert f"{amount(low)} to {amount(high)}" in page
    row = next(row for row in csv_rows(as_owner, f"{WATCH}?csv=1") if row["lot"] == "L-4")
    assert row["how it stands out"] == words
    assert float(row["own rate from (95 %, per 100 item-years)"]) == pytest.approx(low, rel=0.001)
    entry = next(each for each in figures("lots", "--json")["too_thin"] if each["lot"] == "L-4")
    assert entry["words"] == words
    assert entry["rate_high"] == pytest.approx(high, rel=0.001)
    report = json.dumps(figures("year", "--json"), ensure_ascii=False)
    assert f"Lot L-4 of bare track: {words}; its own rate is {amount(low)} to {amount(high)}" in report
    fleet.find(part, 900)
    fleet.find(InstalledPart.objects.filter(lot="L-4").order_by("pk")[1], 900)
    run_surveillance(today=TODAY, at=NOON)
    assert not ThinLot.objects.filter(lot="L-4").exists()


def test_a_lot_without_anything_to_hold_it_against_is_refused() -> None:
    fleet = Fleet()
    for number in range(3):
        unit = fleet.unit()
        fleet.watch(unit, 0)
        fleet.find(fleet.fit(unit, lot="L-0"), 300 + number)
    other = fleet.unit()
    fleet.watch(other, 0)
    fleet.fit(other, lot="L-1")
    run_surveillance(today=TODAY, at=NOON)
    assert thin_words(ThinLot.objects.get()) == (
        "cannot tell yet: no other lot failed at its ages, so there is no rate to compare it with"
    )


def figures(*arguments: str) -> Any:
    """Run the command and parse the JSON that it prints."""
    out = io.StringIO()
    call_command("figures", *arguments, stdout=out)
    return json.loads(out.getvalue())


def test_the_log_tells_what_was_cleared(as_owner: Client) -> None:
    fleet = lots()
    run_surveillance(today=TODAY, at=NOON)
    LotFlag.objects.filter().update(cleared_on=TODAY)
    page = open_page(as_owner, WATCH)
    assert "Nothing stands out among 5 lots and 1 type." in plain(page)
    assert "What stood out before" in page
    assert len(rows(page)) == 2
    assert csv_rows(as_owner, f"{WATCH}?csv=1")[0]["cleared on"] == "2024-12-31"
    assert fleet.track.name in page


def test_before_the_first_look_the_page_says_so(as_owner: Client) -> None:
    page = open_page(as_owner, WATCH)
    assert "Not checked yet" in page
    out = io.StringIO()
    call_command("figures", "lots", stdout=out)
    assert "so there is no figure" in out.getvalue()


def test_the_sites_to_warn_are_those_that_have_it_in_place(as_owner: Client) -> None:
    lots()
    run_surveillance(today=TODAY, at=NOON)
    gone = InstalledPart.objects.filter(lot="L-0").order_by("pk")[3]
    gone.removed_on = day(1800)
    gone.save()
    page = open_page(as_owner, link_of(open_page(as_owner, WATCH), "Lot L-0"))
    assert len(rows(page)) == 5
    owner = InstalledPart.objects.filter(lot="L-0").order_by("pk")[0].unit.site.ownerships.get().customer
    assert owner.name in plain(page)
    assert gone.unit.code not in plain(page)


def test_one_button_puts_a_look_at_each_unit_on_the_list_once(as_owner: Client) -> None:
    lots()
    run_surveillance(today=TODAY, at=NOON)
    flag = LotFlag.objects.get(way=LotFlag.Way.OVER_ALL)
    page = open_page(as_owner, flag.get_absolute_url())
    action = next(each for each in re.findall(r'action="([^"]*)"', page) if "inspect" in each)
    form = {"reason": "look at the corners", "minutes": "20", "due_on": "2025-01-20"}
    said = plain(as_owner.post(action, form, follow=True).content.decode())
    assert "6 inspections added to the work to schedule." in said
    made = MaintenanceTask.objects.filter(origin="figure")
    assert {task.unit_id for task in made} == set(
        InstalledPart.objects.filter(lot="L-0").values_list("unit_id", flat=True)
    )
    task = made[0]
    assert (task.reason, task.minutes, task.work, task.due_on) == (
        "look at the corners",
        20,
        "checked",
        date(2025, 1, 20),
    )
    assert Change.objects.about(task).count() == 1
    said = plain(as_owner.post(action, form, follow=True).content.decode())
    assert "6 units had one already" in said
    assert made.count() == 6


def test_every_drill_down_has_the_button(as_owner: Client) -> None:
    lots()
    page = open_page(as_owner, "/figures/findings/?lot=L-0")
    assert "inspect it because of the figures: lot L-0" in html.unescape(page)
    action = html.unescape(next(each for each in re.findall(r'action="([^"]*)"', page) if "inspect" in each))
    removed = InstalledPart.objects.filter(lot="L-0").order_by("pk")[0].unit
    removed.installed_parts.update(removed_on=TODAY)
    Unit.objects.filter(pk=removed.pk).update(removed_on=TODAY)
    form = {"reason": "look", "minutes": "15", "due_on": "2025-01-20"}
    said = plain(as_owner.post(action, form, follow=True).content.decode())
    assert "2 inspections added to the work to schedule." in said
    said = plain(as_owner.post("/figures/findings/inspect/?lot=&part=wheel", form).content.decode())
    assert "This can’t be asked" in said


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"due_on": "2024-01-01"}, "That day is over: give one to come."),
        ({"minutes": "0"}, "Take 1 to 480 minutes."),
        ({"reason": ""}, "This field is required."),
        ({"due_on": "soon"}, "“soon” is no day"),
    ],
)
def test_inspections_without_sense_are_refused(as_owner: Client, changed: dict[str, str], said: str) -> None:
    lots()
    form = {"reason": "look", "minutes": "15", "due_on": "2025-01-20", **changed}
    answer = as_owner.post("/figures/findings/inspect/?lot=L-0", form, follow=True)
    assert said in plain(answer.content.decode())
    assert not MaintenanceTask.objects.filter(origin="figure").exists()


def test_a_thousand_are_made_at_once_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("schedules.operations.tasks.MOST_INSPECTIONS", 2)
    units = [UnitFactory() for _ in range(3)]
    with pytest.raises(RuleViolation, match="These are 3 units, and at most 2 inspections"):
        add_inspections(units, reason="look", minutes=5, due_on=TODAY, by=None, at=NOON)


def test_only_the_owner_makes_them(as_scheduler: Client) -> None:
    assert as_scheduler.post("/figures/findings/inspect/", {}).status_code == 403
    assert as_scheduler.get(WATCH).status_code == 403
