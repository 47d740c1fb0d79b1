"""The true hazards of the demo: the sums are right, and the failures follow them."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from django.conf import settings

from servicedesk.demo.fleet import Fleet, Item, Round
from servicedesk.demo.hazards import (
    lubricated_at,
    risks,
    simulate_failures,
    sun_on,
    surroundings,
    true_integrated_hazard,
)
from servicedesk.demo.maintenance import maintenance_of
from servicedesk.demo.scenario import FAILURES, build_fleet, stream
from servicedesk.demo.sources import Hazard, Scenario, even_season, read_scenario
from servicedesk.reports.numerics.counts.rates import event_rate

TODAY = date(2026, 7, 29)
SEEDS = range(8)
TRACK = "bare aluminum stepped track"


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return read_scenario(settings.BASE_DIR / "fixtures")


@pytest.fixture(scope="module")
def fleet(scenario: Scenario) -> Fleet:
    return build_fleet(scenario, today=TODAY)


def only(fleet: Fleet, items: list[Item], hazards: tuple[Hazard, ...]) -> Fleet:
    """Keep some items and hazards of a fleet."""
    return replace(fleet, items=items, scenario=replace(fleet.scenario, hazards=hazards))


def at_an_average_site(item: Item) -> Item:
    """Take the site's own factor out of an item's hazard."""
    return replace(item, unit=replace(item.unit, site=replace(item.unit.site, factor=1.0)))


def naive_hazard(item: Item, hazard: Hazard, fleet: Fleet) -> float:
    """Add up one item's hazard day by day, straight from what a hazard means."""
    total, factor = 0.0, item.unit.site.factor
    for name, levels in hazard.effects.items():
        factor *= levels.get(surroundings(item, fleet.scenario)[name], 1.0)
    lubricated = {item.fitted_on, *(begins for begins, _ in item.unit.periods())}
    lubricated |= {went.on for went in maintenance_of(item.unit, fleet) if went.lubricated}
    for first, last in item.watched(fleet.today):
        for number in range((last - first).days):
            day = first + timedelta(days=number + 1)
            age = (day - item.fitted_on).days / 365.25 / hazard.scale_years
            before = ((day - item.fitted_on).days - 1) / 365.25 / hazard.scale_years
            step = math.pow(age, hazard.shape) - math.pow(before, hazard.shape)
            if item.unit.site.care_by == "us":
                last_maintenance = max(on for on in lubricated if item.fitted_on <= on < day)
                years, eve = (
                    (day - last_maintenance).days / 365.25,
                    ((day - last_maintenance).days - 1) / 365.25,
                )
                step *= 365.25 * (
                    math.pow(years, hazard.maintenance_shape) - math.pow(eve, hazard.maintenance_shape)
                )
            total += step * hazard.season[day.month - 1]
    return total * factor


def test_the_truth_is_the_sum_over_all_watched_days(fleet: Fleet) -> None:
    some = fleet.items[:: len(fleet.items) // 60]
    some += [item for item in fleet.items if item.component_type == TRACK and lubricated_at(item, fleet)][::9]
    truth = true_integrated_hazard(only(fleet, some, fleet.scenario.hazards))
    naive: dict[tuple[str, str], float] = {}
    for item in some:
        for hazard in fleet.scenario.hazards:
            if hazard.component_type == item.component_type:
                key = (hazard.component_type, hazard.mode)
                naive[key] = naive.get(key, 0.0) + naive_hazard(item, hazard, fleet)
    assert len(naive) > 30
    assert any(went.lubricated for item in some for went in maintenance_of(item.unit, fleet))
    assert truth == pytest.approx(naive, rel=1e-9)


@pytest.mark.parametrize("shape", [0.7, 1.0, 1.8, 3.0])
def test_an_item_that_reaches_the_scale_has_failed_once_on_average(fleet: Fleet, shape: float) -> None:
    """The Weibull cumulative hazard (t / scale) ** shape is one at the scale (NIST e-Handbook, 8.1.6.2)."""
    plain = next(item for item in fleet.items if len(item.watched(TODAY)) == 1 and item.removed_on is None)
    site = replace(plain.unit.site, factor=1.0)
    unit = replace(plain.unit, site=site, installed_on=plain.fitted_on, observed_from=plain.fitted_on)
    item = replace(plain, unit=unit)
    age_years = (TODAY - item.fitted_on).days / 365.25
    hazard = Hazard(item.component_type, "X", shape, age_years, (1.0,) * 12, {}, "whole", "", 0, 0, 0)
    assert true_integrated_hazard(only(fleet, [item], (hazard,))) == {
        (item.component_type, "X"): pytest.approx(1.0)
    }


@pytest.mark.parametrize(("years", "times"), [(1, 1.0), (2, 2**1.5)])
def test_a_year_without_care_counts_as_it_stands_and_more_years_for_more(
    fleet: Fleet, years: int, times: float
) -> None:
    """With care each ``T`` years a power law fails ``T ** (shape - 1)`` times as often a year as with care
    each year (Barlow and Hunter 1960, minimal repair)."""
    plain = next(item for item in fleet.items if len(item.watched(TODAY)) == 1 and item.removed_on is None)
    first = TODAY - timedelta(days=4 * 1461)
    site = replace(plain.unit.site, factor=1.0, care_by="us")
    unit = replace(plain.unit, site=site, installed_on=first, observed_from=first)
    item = replace(plain, unit=unit, fitted_on=first)
    rounds = [Round(first + timedelta(days=n * years * 1461 // 4), lubricated=True) for n in range(1, 16)]
    even = Hazard(
        item.component_type, "X", 1.0, 16.0, (1.0,) * 12, {}, "whole", "", 0, 0, 0, maintenance_shape=2.5
    )
    part = replace(only(fleet, [item], (even,)), rounds={site.code: rounds})
    assert sum(true_integrated_hazard(part).values()) == pytest.approx(times, rel=0.002)
    elsewhere = replace(item, unit=replace(unit, site=replace(site, care_by="nobody")))
    assert sum(true_integrated_hazard(replace(part, items=[elsewhere])).values()) == pytest.approx(1)


def test_seasons_leave_the_hazard_of_whole_years_as_it_is(scenario: Scenario) -> None:
    """Four calendar years hold 1,461 days, whatever the season puts where."""
    days = [date(2021, 1, 1) + timedelta(days=n) for n in range(1461)]
    for hazard in scenario.hazards:
        assert sum(hazard.season[day.month - 1] for day in days) == pytest.approx(1461)
    assert even_season([2.0] * 12) == pytest.approx((1.0,) * 12)


def test_hazards_name_types_modes_and_effects_that_exist(scenario: Scenario, fleet: Fleet) -> None:
    known = {name for item in fleet.items[:50] for name in surroundings(item, scenario)}
    fitted = {item.component_type for item in fleet.items}
    assert {hazard.component_type for hazard in scenario.hazards} == fitted
    for hazard in scenario.hazards:
        assert hazard.component_type in scenario.kinds
        assert hazard.mode in scenario.minutes
        assert hazard.mode in scenario.words.complaints
        assert set(hazard.effects) <= known
        for name, levels in hazard.effects.items():
            seen = {surroundings(item, scenario)[name] for item in fleet.items}
            assert set(levels) <= seen, f"{hazard.mode}: {name}"


@pytest.mark.parametrize(
    ("facing", "shade", "sun"),
    [
        (180, "none", "full"),
        (270, "part", "part"),
        (0, "none", "part"),
        (0, "part", "no"),
        (180, "full", "no"),
        (45, "full", "no"),
    ],
)
def test_sun_is_where_a_window_faces_and_what_shades_it(facing: int, shade: str, sun: str) -> None:
    assert sun_on(facing, shade) == sun


def test_dark_liners_in_the_sun_and_the_bad_lot_fail_more(fleet: Fleet) -> None:
    def per_year(component_type: str, mode: str, picked: list[Item]) -> float:
        even = [at_an_average_site(item) for item in picked]
        truth = true_integrated_hazard(only(fleet, even, fleet.scenario.hazards))[component_type, mode]
        return truth / replace(fleet, items=picked).item_years()[component_type]

    liners = [item for item in fleet.items if item.component_type == "flexible plastic liner"]
    hot = [i for i in liners if surroundings(i, fleet.scenario)["heat"] == "dark, full sun"]
    mild = [i for i in liners if surroundings(i, fleet.scenario)["heat"].startswith("pale")]
    assert per_year("flexible plastic liner", "LIN-01", hot) > 3 * per_year(
        "flexible plastic liner", "LIN-01", mild
    )
    keys = [item for item in fleet.items if item.component_type == "plastic corner key"]
    bad = [item for item in keys if item.lot == fleet.scenario.bad_lot.lot]
    good = [item for item in keys if item.lot != fleet.scenario.bad_lot.lot]
    assert per_year("plastic corner key", "KEY-01", bad) > 3 * per_year("plastic corner key", "KEY-01", good)


def test_site_factors_have_the_variance_that_is_told(scenario: Scenario) -> None:
    factors = np.array(
        [s.factor for seed in range(6) for s in build_fleet(scenario, today=TODAY, seed=seed).sites]
    )
    # 1,560 gamma factors around one: standard errors of their mean and variance from the gamma's moments.
    variance = scenario.site_variance
    assert factors.mean() == pytest.approx(1, abs=4 * math.sqrt(variance / factors.size))
    fourth = 3 * variance**2 + 6 * variance**3
    assert factors.var() == pytest.approx(variance, abs=4 * math.sqrt((fourth - variance**2) / factors.size))


def test_failures_happen_in_watched_time_only(fleet: Fleet) -> None:
    for failure in simulate_failures(fleet, stream(fleet, FAILURES).generator):
        assert any(first < failure.on <= last for first, last in failure.item.watched(TODAY))
        assert failure.hazard.component_type == failure.item.component_type


def test_failures_are_as_many_and_as_old_as_the_hazard_says(fleet: Fleet) -> None:
    """Forty runs over part of the fleet: counts are Poisson around the truth, and ages follow the curve."""
    worn = tuple(hazard for hazard in fleet.scenario.hazards if hazard.mode == "FLM-03")
    items = [item for item in fleet.items if item.component_type == "clear vinyl film"]
    part = only(fleet, items, worn)
    truth = sum(true_integrated_hazard(part).values())
    generator = np.random.default_rng(5)
    runs = [simulate_failures(part, generator) for _ in range(40)]
    counts = np.array([len(run) for run in runs])
    assert counts.mean() == pytest.approx(truth, abs=4 * math.sqrt(truth / 40))
    # The variance of 40 Poisson counts lies within a chi-square band (99.9 %: 16.3 to 76.6 over 39 degrees).
    assert 16.3 < 39 * counts.var(ddof=1) / truth < 76.6
    ages = np.array([(f.on - f.item.fitted_on).days for run in runs for f in run])
    weight = np.zeros(ages.max() + 1)
    for risk in risks(part):
        for begin, end, scale in zip(risk.begin, risk.end, risk.expected, strict=True):
            daily = np.diff(risk.cumulative[begin : end + 1])
            share = daily * scale / daily.sum()
            reach = min(end, ages.max())
            weight[begin + 1 : reach + 1] += share[: reach - begin]
    mean_age = (weight * np.arange(weight.size)).sum() / weight.sum()
    assert ages.mean() == pytest.approx(mean_age, abs=4 * ages.std() / math.sqrt(ages.size))


@pytest.mark.long
def test_rates_recover_the_truth_over_several_seeds(scenario: Scenario) -> None:
    """Exact 95 % intervals around simulated counts hold the true rate about as often as they say."""
    inside = total = 0
    for seed in SEEDS:
        fleet = build_fleet(scenario, today=TODAY, seed=seed)
        counts = Counter(
            f.item.component_type for f in simulate_failures(fleet, stream(fleet, FAILURES).generator)
        )
        truth: Counter[str] = Counter()
        for (component_type, _), expected in true_integrated_hazard(fleet).items():
            truth[component_type] += expected
        years = fleet.item_years()
        for component_type in [name for name, expected in truth.items() if expected >= 5]:
            rate = event_rate(counts[component_type], years[component_type])
            inside += rate.low <= truth[component_type] / years[component_type] <= rate.high
            total += 1
    assert total > 150
    assert 0.90 <= inside / total <= 0.99
