"""Curves over age from records: when one is shown, how far, with what limits, and what is said instead."""

from __future__ import annotations

import numpy as np
import pytest
from lifelines import KaplanMeierFitter

from servicedesk.reports.curves.figure import Curve, CurveRow, curves_figure
from servicedesk.reports.numerics.survival.recurrence import mean_cumulative
from servicedesk.reports.questions.asking import RECURRENCE, SURVIVAL
from servicedesk.reports.questions.traits import MODE
from tests.factories import SiteFactory
from tests.servicedesk.reports.small_fleets import Fleet, day, up_to
from units.models import InstalledPart, Site

pytestmark = pytest.mark.django_db

LAST = 1500


def fleet_at(sites: int, each: int, *, failures: int) -> Fleet:
    """Parts fitted and watched from the first day; the first so many failed once, one after another."""
    fleet = Fleet()
    places: list[Site] = [SiteFactory() for _ in range(sites)]
    for number in range(sites * each):
        part = fleet.watched_part(site=places[number % sites])
        if number < failures:
            fleet.find(part, 100 * (number + 1))
    return fleet


def only_row(name: str, *, by: str = "component") -> CurveRow:
    (row,) = curves_figure(up_to(LAST), name=name, by=by).rows
    return row


def curve_of(row: CurveRow) -> Curve:
    assert row.curve is not None, row.reason
    return row.curve


@pytest.mark.parametrize(
    ("sites", "each", "shown"), [(2, 20, False), (4, 1, False), (3, 1, False), (3, 2, True), (5, 1, True)]
)
def test_failures_over_age_take_five_items_at_three_sites(sites: int, each: int, shown: bool) -> None:
    fleet_at(sites, each, failures=2)
    row = only_row(RECURRENCE)
    assert (row.curve is not None) == shown
    assert (row.reason == "") == shown
    if not shown:
        assert "at no age 5 or more parts at 3 or more sites were watched" in row.reason
    assert (row.events, row.items, row.sites) == (2, sites * each, sites)


@pytest.mark.parametrize(("sites", "sure"), [(3, False), (4, False), (5, True)])
def test_a_band_takes_five_sites(sites: int, sure: bool) -> None:
    fleet_at(sites, 4, failures=3)
    row = only_row(RECURRENCE)
    curve = curve_of(row)
    assert (curve.low is not None) == (curve.high is not None) == (curve.std_error is not None) == sure
    assert ("no interval, because it takes 5 sites" in row.note) == (not sure)


def test_how_long_parts_last_takes_five_first_failures_else_their_ages_are_listed() -> None:
    fleet = fleet_at(12, 1, failures=4)
    row = only_row(SURVIVAL)
    assert row.curve is None
    assert row.reason == "4 first failures while enough were watched; a curve takes 5"
    assert row.ages == [100, 200, 300, 400]
    fleet.find(InstalledPart.objects.order_by("pk")[4], 700)
    assert curve_of(only_row(SURVIVAL)).events.sum() == 5


def test_survival_with_late_entry_is_that_of_lifelines() -> None:
    fleet = Fleet()
    entries, exits, failed = [], [], []
    draws = np.random.default_rng(3)
    for _ in range(60):
        begin, fails = int(draws.integers(0, 400)), int(draws.integers(50, 2500))
        part = fleet.fit(unit := fleet.unit())
        fleet.watch(unit, begin)
        fleet.find(part, fails)
        if fails > begin:
            entries.append(begin)
            exits.append(min(fails, LAST))
            failed.append(fails <= LAST)
        else:  # found before anybody watched: it excludes nothing but itself
            entries.append(begin)
            exits.append(LAST)
            failed.append(False)
    curve = curve_of(only_row(SURVIVAL))
    late = KaplanMeierFitter().fit(exits, failed, entry=np.maximum(entries, curve.start))
    inside = [age for age in curve.age if curve.start < age <= curve.stop]
    estimates = [curve.at(age) for age in inside]
    expected = [float(late.predict(age)) for age in inside]
    assert [value[0] for value in estimates if value] == pytest.approx(expected)


def test_errors_go_by_site_and_not_by_item() -> None:
    fleet = Fleet()
    places = [SiteFactory() for _ in range(6)]
    for number in range(24):
        part = fleet.watched_part(site=places[number % 6])
        if number % 6 < 2:  # two sites whose parts all fail together
            fleet.find(part, 300)
    curve = curve_of(only_row(RECURRENCE))
    assert curve.std_error is not None
    item, site = np.arange(24), np.arange(24) % 6
    columns = np.zeros(24), np.full(24, 300.0), site < 2
    by_site = mean_cumulative(*columns, item, cluster=site)
    by_item = mean_cumulative(*columns, item, cluster=item)
    assert curve.std_error[-1] == pytest.approx(by_site.std_error[-1])
    # Four parts of a site that fail as one tell as much as one: twice the error of independent parts.
    assert by_site.std_error[-1] == pytest.approx(2 * by_item.std_error[-1])


def test_half_is_said_only_where_the_curve_and_its_lower_limit_get_there() -> None:
    fleet = fleet_at(14, 1, failures=5)
    assert only_row(SURVIVAL).half is None
    for place, part in enumerate(InstalledPart.objects.order_by("pk")[5:13]):
        fleet.find(part, 600 + place)
    half = only_row(SURVIVAL).half
    assert half is not None
    age, low, _ = half
    assert age == 601
    assert low is not None
    assert low < age


def test_parts_of_unknown_age_are_left_out_and_counted() -> None:
    fleet = fleet_at(6, 2, failures=6)
    unit = fleet.unit()
    fleet.watch(unit, 0)
    guess = fleet.fit(unit, age_known=False)
    fleet.find(guess, 50)
    figure = curves_figure(up_to(LAST), name=RECURRENCE)
    assert figure.rows[0].events == 6
    assert figure.exclusions["age_unknown_items"] == 1
    assert figure.exclusions["age_unknown_events"] == 1


def test_a_curve_ends_where_too_few_are_watched() -> None:
    fleet = fleet_at(6, 1, failures=0)
    parts = list(InstalledPart.objects.order_by("pk"))
    for part in parts[:2]:
        InstalledPart.objects.filter(pk=part.pk).update(removed_on=day(700))
    fleet.find(parts[3], 200)
    fleet.find(parts[4], 900)
    curve = curve_of(only_row(RECURRENCE))
    assert curve.stop == 700
    assert curve.age.tolist() == [200]
    assert curve.at(800) is None


def test_failures_of_one_mode_are_told_apart_over_the_same_parts() -> None:
    fleet = fleet_at(6, 1, failures=2)
    fleet.find(InstalledPart.objects.order_by("pk")[5], 50, mode=fleet.waves)
    rows = curves_figure(up_to(LAST), name=RECURRENCE, by=MODE).rows
    assert [(row.name, row.events, row.items) for row in rows] == [("binds", 2, 6), ("waves", 1, 6)]


def test_days_that_count_cut_the_curve_and_earlier_first_failures_stay_first() -> None:
    fleet = fleet_at(12, 1, failures=6)
    for part in InstalledPart.objects.order_by("pk")[:6]:
        fleet.find(part, 1000)
    later = up_to(LAST, from_on=day(800))
    assert curves_figure(later, name=RECURRENCE).rows[0].events == 6
    lasting = curves_figure(later, name=SURVIVAL).rows[0]
    assert lasting.events == 0
    assert lasting.items == 6  # those that had failed before are no longer waiting for a first failure
