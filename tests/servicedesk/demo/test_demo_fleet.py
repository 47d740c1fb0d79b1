"""The invented fleet: always the same for a seed and a day, plausible, and of nobody real."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path

import pytest
from django.conf import settings

from servicedesk.demo.files import write_files
from servicedesk.demo.fleet import Fleet, inches, items_of
from servicedesk.demo.histories import Records, write_records
from servicedesk.demo.scenario import build_fleet
from servicedesk.demo.sources import Scenario, read_scenario
from units.lengths import parse_length

TODAY = date(2026, 7, 29)


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return read_scenario(settings.BASE_DIR / "fixtures")


@pytest.fixture(scope="module")
def fleet(scenario: Scenario) -> Fleet:
    return build_fleet(scenario, today=TODAY)


@pytest.fixture(scope="module")
def records(fleet: Fleet) -> Records:
    return write_records(fleet)


def test_the_simulation_needs_no_django() -> None:
    code = "import sys, servicedesk.demo.files, servicedesk.demo.histories\nsys.exit('django' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=settings.BASE_DIR, check=False).returncode == 0


def test_same_seed_and_day_give_the_same_files(
    scenario: Scenario, fleet: Fleet, records: Records, tmp_path: Path
) -> None:
    first = write_files(fleet, records, folder=tmp_path / "first")
    again = build_fleet(scenario, today=TODAY)
    second = write_files(again, write_records(again), folder=tmp_path / "second")
    assert first.units.read_bytes() == second.units.read_bytes()
    assert first.history.read_bytes() == second.history.read_bytes()
    assert first.periods.read_bytes() == second.periods.read_bytes()


def test_another_seed_gives_another_fleet(scenario: Scenario, fleet: Fleet) -> None:
    other = build_fleet(scenario, today=TODAY, seed=scenario.seed + 1)
    assert [site.customer.name for site in other.sites] != [site.customer.name for site in fleet.sites]


@pytest.mark.parametrize("today", [TODAY, date(2025, 12, 24), date(2028, 2, 29), date(2031, 1, 1)])
def test_the_fleet_is_about_700_units_at_260_sites_over_eleven_years(scenario: Scenario, today: date) -> None:
    fleet = build_fleet(scenario, today=today)
    assert len(fleet.sites) == 260
    assert 650 <= len(fleet.units) <= 750
    joined = [site.joined_on for site in fleet.sites]
    assert joined == sorted(joined)
    assert today - timedelta(days=11 * 366) <= joined[0] <= today - timedelta(days=10 * 365)
    assert today - timedelta(days=60) <= joined[-1] < today
    assert all(unit.installed_on < today for unit in fleet.units)


def test_the_mix_of_constructions_changes_over_the_years(fleet: Fleet) -> None:
    middle = TODAY - timedelta(days=int(5.5 * 365.25))
    early = Counter(unit.construction for unit in fleet.units if unit.installed_on < middle)
    late = Counter(unit.construction for unit in fleet.units if unit.installed_on >= middle)
    assert early["1"] > early["2"] > early["3"]
    assert late["3"] > late["1"]
    assert set(early) | set(late) == {"1", "2", "3"}


def test_the_fleet_holds_what_a_real_register_would(scenario: Scenario, fleet: Fleet) -> None:
    fates = Counter(site.fate.what for site in fleet.sites)
    assert min(fates[what] for what in ("removed", "lapsed", "sold")) >= 2
    assert any(len(unit.periods()) == 2 for unit in fleet.units)
    assert any(site.fate.buyer for site in fleet.sites)
    taken_over = [unit for unit in fleet.units if unit.observed_from > unit.installed_on]
    assert 20 <= len(taken_over) <= 140
    assert any(unit.lower_lite for unit in fleet.units)
    assert any(site.year_built and site.year_built < 1978 for site in fleet.sites)
    assert any(parse_length(unit.above_grade, unit="in") > 762 for unit in fleet.units)  # 30 in, a guard
    assert {unit.finish for unit in fleet.units} == {"white", "light", "medium", "dark"}
    assert {unit.shade for unit in fleet.units} == {"none", "part", "full"}
    assert {site.coast for site in fleet.sites} == {"shore", "near", "inland", ""}
    assert {site.care_by for site in fleet.sites} == {"us", "customer", "nobody"}
    bad = {unit.site.code for unit in fleet.units if unit.lot == scenario.bad_lot.lot}
    assert 3 <= len(bad) <= scenario.bad_lot.sites


def test_people_and_places_are_invented(scenario: Scenario, fleet: Fleet) -> None:
    customers = [site.customer for site in fleet.sites]
    customers += [site.fate.buyer for site in fleet.sites if site.fate.buyer]
    assert len({customer.name for customer in customers}) == len(customers)
    assert len({site.address for site in fleet.sites}) == len(fleet.sites)
    for customer in customers:
        # Area codes never begin with 0; 555-0100 to 555-0199 are kept for invented people
        # (North American Numbering Plan); example.org is reserved by RFC 2606.
        assert re.fullmatch(r"\(0\d\d\) 555-01\d\d", customer.phone)
        assert re.fullmatch(r"[a-z.]+@example\.org", customer.email)
    assert all(re.fullmatch(r"MB-1\d\d", site.postcode) for site in fleet.sites)
    assert all(abs(site.latitude - scenario.latitude) * 111 < 25 for site in fleet.sites)
    assert all(abs(site.longitude - scenario.longitude) * 89 < 25 for site in fleet.sites)


def test_sizes_are_inch_fractions_and_panels_follow_the_height(fleet: Fleet) -> None:
    for unit in fleet.units:
        for length in (unit.width, unit.height):
            assert 16 % length.denominator == 0
            assert Fraction(parse_length(inches(length), unit="in")) == length * Fraction(254, 10)
        field = unit.height - (unit.lower_lite or 0)
        # Under 60 in of sliding height three panels, else four: common practice, no source.
        assert unit.panels in (None, 3 if field < 60 else 4)


def test_a_changed_set_ends_one_item_and_begins_another(scenario: Scenario, fleet: Fleet) -> None:
    changed = [unit for unit in fleet.units if any(not swap.panel for swap in unit.swaps)]
    assert changed
    for unit in changed:
        for swap in (swap for swap in unit.swaps if not swap.panel):
            lifetimes = [i for i in items_of(unit, scenario=scenario) if i.kind == scenario.kinds[swap.to]]
            before, after = sorted((i for i in lifetimes if not i.panel), key=lambda i: i.fitted_on)
            assert before.removed_on == swap.on == after.fitted_on
            assert after.component_type == swap.to != before.component_type
            assert before.pieces == after.pieces


def test_keys_of_one_panel_go_out_and_the_others_run_on(scenario: Scenario, fleet: Fleet) -> None:
    split = [unit for unit in fleet.units if any(swap.panel for swap in unit.swaps)]
    assert len(split) == scenario.panel_keys.units
    for unit in split:
        corners = [item for item in items_of(unit, scenario=scenario) if item.kind == "corner"]
        whole, panel = sorted(corners, key=lambda item: item.panel)
        assert (whole.panel, whole.removed_on, whole.pieces) == (0, None, 4 * (unit.panels or 0))
        assert (panel.component_type, panel.pieces) == (scenario.panel_keys.to, 4)


def test_an_item_is_watched_in_its_own_life_and_the_units_periods_only(fleet: Fleet) -> None:
    for item in fleet.items:
        for first, last in item.watched(TODAY):
            assert item.fitted_on <= first < last <= (item.removed_on or TODAY)
            assert any(begins <= first and last <= (ends or TODAY) for begins, ends in item.unit.periods())


def test_item_years_add_up_day_by_day(fleet: Fleet) -> None:
    """A naive twin: count every watched day of some items by itself."""
    some = fleet.items[:: len(fleet.items) // 40]
    days: Counter[str] = Counter()
    for item in some:
        day = item.fitted_on
        while day < TODAY:
            day += timedelta(days=1)
            in_life = item.removed_on is None or day <= item.removed_on
            heard = any(begins < day <= (ends or TODAY) for begins, ends in item.unit.periods())
            days[item.component_type] += in_life and heard
    item_years = replace(fleet, items=some).item_years()
    assert {name: count / 365.25 for name, count in days.items()} == pytest.approx(item_years)


def test_every_failure_is_in_the_records_once_and_in_its_watched_span(
    fleet: Fleet, records: Records, scenario: Scenario
) -> None:
    spans: dict[tuple[str, str], list[tuple[date, date]]] = {}
    for item in fleet.items:
        spans.setdefault((item.unit.code, item.kind), []).extend(item.watched(TODAY))
    kind_of = {hazard.mode: scenario.kinds[hazard.component_type] for hazard in scenario.hazards}
    failures = [entry for entry in records.entries if entry.failure and not entry.repeat]
    in_time = [
        entry
        for entry in failures
        if entry.mode in kind_of
        and any(first < entry.on <= last for first, last in spans[entry.unit, kind_of[entry.mode]])
    ]
    assert len(in_time) == len(records.failures)
    assert len(failures) == len(records.failures) + records.at_take_over + records.of_no_part
    expected = Counter((failure.item.unit.code, failure.hazard.mode) for failure in records.failures)
    assert Counter((entry.unit, entry.mode) for entry in in_time) == expected


def test_no_two_findings_of_a_unit_share_mode_place_and_day(records: Records) -> None:
    keys = Counter((entry.unit, entry.mode, entry.where, entry.on) for entry in records.entries if entry.mode)
    assert max(keys.values()) == 1


def test_the_records_end_today_and_keep_their_order(records: Records) -> None:
    order = [(entry.unit, entry.on) for entry in records.entries]
    assert order == sorted(order)
    assert max(entry.on for entry in records.entries) <= TODAY
    calls = sorted((entry.ref, entry.on) for entry in records.entries if entry.what == "call")
    assert [on for _, on in calls] == sorted(on for _, on in calls)
    what = Counter(entry.what for entry in records.entries)
    assert set(what) == {"call", "finding", "care"}
    assert records.repeats > 10
    assert records.wear_only > 10
    assert records.in_vain > 10
    assert len(calls) == len({ref for ref, _ in calls}) > 500
    assert all(entry.minutes and entry.minutes % 5 == 0 for entry in records.entries if entry.work)


def test_care_is_told_for_our_sites_in_watched_time_only(fleet: Fleet, records: Records) -> None:
    units = {unit.code: unit for unit in fleet.units}
    for entry in (entry for entry in records.entries if entry.what == "care"):
        unit = units[entry.unit]
        assert unit.site.care_by == "us"
        assert any(begins < entry.on <= (ends or TODAY) for begins, ends in unit.periods())
        assert entry.on.weekday() < 5
        if not entry.mode:
            # All usual care once a year, when bare tracks are lubricated; else cleaning and checking.
            assert entry.work in ("", "cleaned, checked")
            assert entry.minutes


def test_tracks_are_lubricated_once_a_year_in_spring_or_put_off(scenario: Scenario, fleet: Fleet) -> None:
    whole_years = [
        [went for went in rounds if went.on.year == year]
        for rounds in fleet.rounds.values()
        for year in range(rounds[0].on.year + 1 if rounds else TODAY.year, TODAY.year - 2)
    ]
    assert len(whole_years) > 150
    assert all(sum(went.lubricated for went in year) <= 1 for year in whole_years)
    rounds = [went for year in whole_years for went in year]
    assert all(went.lubricated for went in rounds if went.on.month < 7)
    done = 1 - scenario.shares["care round missed"]
    put_off = scenario.shares["spring care put off until after the summer"]
    counts = {
        done * (1 - put_off): sum(went.on.month < 7 for went in rounds),
        done * put_off: sum(went.lubricated and went.on.month > 7 for went in rounds),
        done: sum(went.on.month > 7 for went in rounds),
    }
    for share, count in counts.items():
        # Four standard errors of a binomial share.
        error = 4 * (share * (1 - share) / len(whole_years)) ** 0.5
        assert count / len(whole_years) == pytest.approx(share, abs=error)


def test_files_have_the_columns_an_import_takes(fleet: Fleet, records: Records, tmp_path: Path) -> None:
    files = write_files(fleet, records, folder=tmp_path)
    with files.units.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(fleet.units)
    assert ",".join(rows[0]) == (
        "unit,site,customer,address,postcode,latitude,longitude,year_built,place,construction,track,sash,"
        "corner,release,panels,width,height,facing,shade,finish,above_grade,installed_on,observed_from,"
        "observed_until,removed_on,lot"
    )
    with files.history.open(encoding="utf-8", newline="") as file:
        history = list(csv.DictReader(file))
    assert ",".join(history[0]) == "unit,on,what,mode,where,failure,repeat,work,minutes,note,ref"
    assert len(history) == len(records.entries)
    with files.periods.open(encoding="utf-8", newline="") as file:
        periods = list(csv.DictReader(file))
    assert list(periods[0]) == ["unit", "from", "until"]
    assert all(count == 2 for count in Counter(row["unit"] for row in periods).values())
