"""What a fitted life says of parts: refusals, readings, and what failures dated otherwise would change."""

from __future__ import annotations

import numpy as np
import pytest
from lifelines import WeibullFitter
from scipy.stats import weibull_min

from servicedesk.reports.curves.figure import curves_figure
from servicedesk.reports.curves.life_fits import Dating, Reading, life_fit, read_shape
from servicedesk.reports.histories import FirstFailures, Window
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.questions.asking import SURVIVAL
from tests.factories import InspectionFactory, WorkFactory
from tests.servicedesk.reports.small_fleets import Fleet, day, up_to

STOP = 4000.0


def lifetimes(
    ages: list[float],
    *,
    going: int = 0,
    entry: float = 0.0,
    good: list[float] | None = None,
    sites: int = 5,
) -> FirstFailures:
    """Parts that failed at some ages, and some that never did, watched from an age on."""
    size = len(ages) + going
    known = np.full(size, np.nan)
    if good is not None:
        known[: len(good)] = good
    return FirstFailures(
        entry=np.full(size, entry),
        exit=np.array([*ages, *[STOP] * going]),
        failed=np.arange(size) < len(ages),
        item=np.arange(size),
        site=np.arange(size) % sites,
        good=known,
    )


def drawn(shape: float, *, many: int, seed: int = 1) -> list[float]:
    """Whole-day ages of a Weibull life, drawn by scipy."""
    ages = weibull_min.rvs(shape, scale=1500, size=many, random_state=np.random.default_rng(seed))
    return [float(age) for age in np.ceil(ages)]


@pytest.mark.parametrize(
    ("ages", "reason"),
    [
        ([], "no first failures; a life takes 3 or more"),
        ([100, 200], "2 first failures; a life takes 3 or more"),
        ([100, 100, 200, 200], "failures at fewer than 3 different ages"),
    ],
)
def test_too_few_failures_give_no_life_and_the_reason(ages: list[float], reason: str) -> None:
    fit = life_fit(lifetimes(ages, going=20), start=0, stop=STOP)
    assert fit.shape is None
    assert fit.reason == reason


def test_the_life_is_that_of_lifelines_with_late_entry() -> None:
    ages = [age for age in drawn(1.8, many=60) if age > 300]
    rows = lifetimes(ages, going=10, entry=300)
    fit = life_fit(rows, start=300, stop=STOP)
    theirs = WeibullFitter().fit(rows.exit, rows.failed, entry=rows.entry)
    assert fit.shape is not None
    assert fit.shape[0] == pytest.approx(theirs.rho_, rel=1e-4)
    assert fit.tenth is not None
    assert fit.tenth[0] == pytest.approx(theirs.lambda_ * (-np.log(0.9)) ** (1 / theirs.rho_), rel=1e-4)
    expected = theirs.survival_function_at_times(fit.ages) / float(
        theirs.survival_function_at_times(300).iloc[0]
    )
    assert list(fit.shares) == pytest.approx(expected.tolist(), rel=1e-4)


@pytest.mark.parametrize(
    ("shape", "many", "reading"),
    [(3.0, 40, Reading.WEARS_OUT), (0.4, 40, Reading.EARLY), (1.0, 12, Reading.UNKNOWN)],
)
def test_the_interval_decides_what_is_said(shape: float, many: int, reading: Reading) -> None:
    fit = life_fit(lifetimes(drawn(shape, many=many)), start=0, stop=1e6)
    assert fit.reading == reading


@pytest.mark.parametrize(
    ("low", "high", "reading"),
    [
        (1.01, 2, Reading.WEARS_OUT),
        (1.0, 2, Reading.UNKNOWN),
        (0.5, 1.0, Reading.UNKNOWN),
        (0.5, 0.99, Reading.EARLY),
    ],
)
def test_an_interval_that_holds_one_tells_nothing(low: float, high: float, reading: Reading) -> None:
    assert read_shape(low, high, early_within=lambda: True) == reading


def test_early_failures_are_not_said_to_dominate_where_sites_alone_could_make_it_look_so() -> None:
    # Proschan (1963): lives of constant hazard, of which those at half of the sites are ten times as short.
    rng = np.random.default_rng(2)
    size, sites = 200, 20
    short = np.arange(size) % sites < sites // 2
    ages = np.ceil(rng.exponential(np.where(short, 300.0, 3000.0))).tolist()
    mixed = life_fit(lifetimes(ages, sites=sites), start=0, stop=1e6)
    assert mixed.shape is not None
    assert mixed.shape[2] < 1
    assert mixed.reading == Reading.UNLIKE
    assert str(mixed.reading) == "more fail early, but unlike sites alone could make it look so"
    # Of sites with one part each nothing can be said within sites.
    early = drawn(0.4, many=40)
    assert life_fit(lifetimes(early), start=0, stop=1e6).reading == Reading.EARLY
    assert life_fit(lifetimes(early, sites=40), start=0, stop=1e6).reading == Reading.UNLIKE


def test_dated_otherwise_they_are_held_against_their_sites_too() -> None:
    ages = [age for age in drawn(0.4, many=60) if age > 2]
    loose = life_fit(lifetimes(ages, good=[age * 0.5 for age in ages[:10]]), start=0, stop=1e6)
    assert {dated.reading for dated in loose.datings} == {Reading.EARLY}
    alone = life_fit(lifetimes(ages, good=[age * 0.5 for age in ages[:10]], sites=99), start=0, stop=1e6)
    assert {dated.reading for dated in alone.datings} == {Reading.UNLIKE}


def test_a_curve_takes_ten_failures_and_starts_at_one() -> None:
    few, enough = drawn(2, many=9), drawn(2, many=10)
    assert life_fit(lifetimes(few), start=0, stop=STOP).ages == ()
    fit = life_fit(lifetimes(enough), start=200, stop=STOP)
    assert (fit.ages[0], fit.ages[-1]) == (200, STOP)
    assert fit.shares[0] == 1
    assert list(fit.shares) == sorted(fit.shares, reverse=True)


def test_an_age_nobody_has_reached_is_not_given() -> None:
    ages = [3000.0, 3100.0, 3200.0, 3300.0]
    assert life_fit(lifetimes(ages), start=0, stop=STOP).tenth is not None
    assert life_fit(lifetimes(ages, going=400), start=0, stop=2500).tenth is None


def test_failures_dated_earlier_are_fitted_again() -> None:
    ages = drawn(2, many=30)
    fit = life_fit(lifetimes(ages, good=[age * 0.6 for age in ages[:12]]), start=0, stop=STOP)
    assert fit.known_good == 12
    assert [dated.dating for dated in fit.datings] == list(Dating)
    tenths = {dated.dating: dated.tenth[0] for dated in fit.datings}
    assert tenths[Dating.GOOD] < tenths[Dating.MIDDLE] < tenths[Dating.FOUND]
    assert tenths[Dating.GOOD] < tenths[Dating.BETWEEN] < tenths[Dating.FOUND]
    assert life_fit(lifetimes(ages), start=0, stop=STOP).datings == ()


def test_a_reading_that_hangs_on_the_dating_says_so() -> None:
    ages = [900.0 + 20 * number for number in range(12)]
    firm = life_fit(lifetimes(ages, good=[age - 5 for age in ages]), start=0, stop=STOP)
    assert not firm.hangs_on_dating
    loose = life_fit(lifetimes(ages, good=[1.0 + number for number in range(6)]), start=0, stop=STOP)
    assert loose.reading == Reading.WEARS_OUT
    assert loose.hangs_on_dating


@pytest.mark.django_db
def test_the_day_a_part_was_last_good_comes_from_finding_look_or_check() -> None:
    fleet = Fleet()
    stated, inspected, checked, elsewhere, unknown = (fleet.watched_part() for _ in range(5))
    fleet.find(stated, 500, last_good_on=day(320))
    fleet.find(inspected, 500)
    InspectionFactory(unit=inspected.unit, inspected_on=day(100), outcome="fine")
    InspectionFactory(unit=inspected.unit, inspected_on=day(410), outcome="fine")
    InspectionFactory(unit=inspected.unit, inspected_on=day(450), outcome="findings")
    InspectionFactory(unit=inspected.unit, inspected_on=day(600), outcome="fine")
    fleet.find(checked, 500, last_good_on=day(50))
    WorkFactory(unit=checked.unit, kind="checked", done_on=day(205))
    fleet.find(elsewhere, 500)
    other = fleet.fit(elsewhere.unit, of=fleet.liner, panel=1)
    WorkFactory(unit=other.unit, installed_part=other, kind="checked", done_on=day(300))
    fleet.find(unknown, 500)
    rows = (
        read_histories(up_to(1000), by="component")
        .of_group(0)
        .first_failures(Window(0, up_to(1000).last.toordinal()))
    )
    good = dict(zip(rows.item.tolist(), rows.good.tolist(), strict=True))
    assert [good[part.pk] for part in (stated, inspected, checked)] == [320, 410, 205]
    assert np.isnan([good[part.pk] for part in (elsewhere, unknown)]).all()


@pytest.mark.django_db
def test_a_part_is_good_from_the_day_watching_began_at_the_earliest() -> None:
    fleet = Fleet()
    unit = fleet.unit()
    fleet.watch(unit, 200)
    fleet.find(fleet.fit(unit), 500, last_good_on=day(50))
    rows = read_histories(up_to(1000), by="component").first_failures(Window(0, up_to(1000).last.toordinal()))
    assert rows.good.tolist() == [200]


@pytest.mark.django_db
def test_types_without_enough_watched_have_no_life() -> None:
    fleet = Fleet()
    fleet.find(fleet.watched_part(), 10)
    (row,) = curves_figure(up_to(1000), name=SURVIVAL).rows
    assert row.life is None
