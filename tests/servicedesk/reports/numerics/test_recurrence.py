"""Mean cumulative functions, held against published data, plain loops and a second library."""

from __future__ import annotations

import math

import lifelines
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from servicedesk.reports.numerics.survival.recurrence import (
    compare_mean_cumulative,
    mean_cumulative,
    mean_cumulative_difference,
)
from tests.servicedesk.reports.numerics import naive
from tests.servicedesk.reports.numerics.fleets import Fleet, fleets, make_fleet, unhurried
from tests.servicedesk.reports.numerics.published import Check, data_set

Columns = tuple[list[float], list[float], list[int], list[str]]


def spans_of(histories: dict[str, tuple[list[float], float]]) -> Columns:
    """Cut histories (event ages, end of watch) into spans; a second failure on a day has no length."""
    start, stop, event, item = [], [], [], []
    for name, (ages, end) in histories.items():
        begin = 0.0
        for age in ages:
            start.append(begin)
            stop.append(age)
            event.append(1)
            item.append(name)
            begin = age
        if end > begin:
            start.append(begin)
            stop.append(end)
            event.append(0)
            item.append(name)
    return start, stop, event, item


def valve_seats() -> Columns:
    """Give the valve-seat replacements as spans."""
    engines = data_set("valveSeat")
    histories = {}
    for engine in np.unique(engines["id"]):
        mine = engines["id"] == engine
        failed = mine & (engines["status"] == 1)
        histories[f"{engine:g}"] = (
            sorted(engines["time"][failed].tolist()),
            float(engines["time"][mine].max()),
        )
    return spans_of(histories)


def repairable_fleet(seed: int, *, sites: int = 12) -> tuple[NDArray[np.float64], ...]:
    """Make repaired items at shared sites: columns start, stop, event, item, site, kind."""
    rng = np.random.default_rng(seed)
    columns: list[tuple[float, float, int, int, int, int]] = []
    frailty = rng.gamma(2.0, 0.5, sites)
    for item in range(60):
        site, kind = int(rng.integers(sites)), int(rng.integers(2))
        begin = float(rng.choice([0, 30, 70]))
        end = begin + float(rng.integers(40, 200))
        while True:
            age = begin + math.ceil(rng.exponential(60 / frailty[site]))
            columns.append((begin, min(age, end), int(age <= end), item, site, kind))
            if age >= end:
                break
            begin = age
    return tuple(np.array(column) for column in zip(*columns, strict=True))


class TestPublished:
    """Printed mean cumulative functions."""

    def test_valve_seats(self) -> None:
        check = Check("valve_seat_mcf")
        start, stop, event, item = valve_seats()
        seats = mean_cumulative(start, stop, event, item)
        check.holds("n_units", seats.clusters)
        check.holds("n_events", seats.events.sum())
        check.holds("first_five_mcf", seats.mean[:5])
        check.holds("mcf_last", seats.mean[-1])
        check.holds("se_first", seats.std_error[0])
        check.holds("se_last_robust", seats.std_error[-1])
        check.holds("log_ci95_last", [seats.low[-1], seats.high[-1]])
        # Two replacements on one day in one engine, on day 139 and day 653, count as two.
        assert seats.events[np.isin(seats.time, [139, 653])].tolist() == [2, 2]

    def test_valve_seats_with_failures_counted_instead_of_repeated(self) -> None:
        start, stop, event, item = (np.array(column) for column in valve_seats())
        twice = np.flatnonzero(start == stop)
        event = event.copy()
        event[twice - 1] += 1
        keep = start < stop
        counted = mean_cumulative(start[keep], stop[keep], event[keep], item[keep])
        repeated = mean_cumulative(*valve_seats())
        np.testing.assert_allclose(counted.mean, repeated.mean)
        np.testing.assert_allclose(counted.std_error, repeated.std_error)

    def test_three_units_by_hand(self) -> None:
        check = Check("toy_mcf_hand")
        histories = {name: (unit["event_ages"], unit["end_age"]) for name, unit in check.input.items()}
        curve = mean_cumulative(*spans_of(histories))
        check.holds("ages", curve.time)
        check.holds("mcf", curve.mean)
        check.holds("robust_se", curve.std_error)


class TestMeanCumulative:
    """The average number of failures by an age."""

    @pytest.mark.parametrize("sites", [6, 40])
    @pytest.mark.parametrize("unit", [1.0, 0.5, 0.37])
    def test_like_the_plain_loop(self, sites: int, unit: float) -> None:
        start, stop, event, item, site, _ = repairable_fleet(2, sites=sites)
        start, stop = start * unit, stop * unit
        curve = mean_cumulative(start, stop, event, item, cluster=site)
        steps = naive.mean_cumulative(list(zip(start, stop, event, site, strict=True)))
        assert curve.time.tolist() == [step.age for step in steps]
        assert curve.at_risk.tolist() == [step.at_risk for step in steps]
        assert curve.events.tolist() == [step.events for step in steps]
        np.testing.assert_allclose(curve.mean, [step.value for step in steps])
        np.testing.assert_allclose(curve.std_error, [math.sqrt(step.variance) for step in steps], rtol=1e-7)
        rows = list(zip(start, stop, event, site, strict=True))
        watched = [len({row[3] for row in naive.at_risk(rows, age)}) for age in curve.time]
        assert curve.clusters_at_risk.tolist() == watched
        k = curve.clusters
        q = stats.t.ppf(0.975, k - 1) if k < 30 else stats.norm.ppf(0.975)
        np.testing.assert_allclose(curve.high, curve.mean * np.exp(q * curve.std_error / curve.mean))
        np.testing.assert_allclose(curve.low, curve.mean * np.exp(-q * curve.std_error / curve.mean))

    def test_no_failures_makes_no_steps(self) -> None:
        curve = mean_cumulative([0, 0], [5, 6], [0, 0], [1, 2])
        assert curve.mean.size == 0
        assert curve.at(6) == 0
        assert math.isnan(curve.at(6).high)

    def test_is_read_as_a_step(self) -> None:
        curve = mean_cumulative([0, 0, 0], [5, 6, 9], [1, 0, 1], [1, 2, 3])
        assert curve.at(4.9) == 0
        assert curve.at(5) == pytest.approx(1 / 3)
        assert curve.at(100).low == curve.low[-1]

    def test_one_site_gives_no_limits(self) -> None:
        curve = mean_cumulative([0, 0], [5, 6], [1, 1], [1, 2], cluster=["a", "a"])
        np.testing.assert_allclose(curve.std_error, 0, atol=1e-7)
        assert np.isnan(curve.high).all()

    def test_a_failure_found_at_take_over_is_not_at_risk_and_left_out(self) -> None:
        # Item 3 came under watch on the day it was found broken; item 1 failed twice on day 5.
        curve = mean_cumulative([0, 5, 0, 7], [5, 5, 9, 7], [1, 1, 0, 1], [1, 1, 2, 3])
        assert (curve.time.tolist(), curve.events.tolist(), curve.mean.tolist()) == ([5], [2], [1])

    def test_first_failures_are_nelson_and_aalens_cumulative_hazard(self) -> None:
        fleet = make_fleet(5)
        curve = mean_cumulative(fleet.entry, fleet.exit, fleet.failed, np.arange(fleet.exit.size))
        peer = lifelines.NelsonAalenFitter(nelson_aalen_smoothing=False)
        peer.fit(fleet.exit, fleet.failed, entry=fleet.entry)
        np.testing.assert_allclose(curve.mean, peer.cumulative_hazard_at_times(curve.time), rtol=1e-10)

    def test_very_many_sites_and_marks_do_not_outgrow_the_keys(self) -> None:
        # Beyond 32 bits of site, mark and kind the steps need long keys; the answer must not depend on it.
        fleet = make_fleet(6, parts=400)
        far = fleet.site * 3_000_000
        for site in (far, fleet.site):
            curve = mean_cumulative(fleet.entry, fleet.exit, fleet.failed, np.arange(400), cluster=site)
            np.testing.assert_allclose(
                curve.std_error, [math.sqrt(step.variance) for step in naive.mean_cumulative(fleet.rows())]
            )
        narrow = mean_cumulative(fleet.entry, fleet.exit, fleet.failed, fleet.site * 100_000 % 4_000_001)
        np.testing.assert_allclose(narrow.std_error, curve.std_error)

    def test_sites_may_fill_more_than_one_block(self) -> None:
        rng = np.random.default_rng(8)
        size = 70_000
        start = rng.integers(0, 50, size)
        stop, event = start + rng.integers(1, 50, size), rng.random(size) < 0.3
        site = np.where(rng.random(size) < 0.9, 0, rng.integers(1, 2000, size))
        curve = mean_cumulative(start, stop, event, np.arange(size), cluster=site)
        marks = np.arange(int(stop.max()) + 1)
        watched = np.array([((start < age) & (age <= stop)).sum() for age in marks])
        failures = np.bincount(stop[event], minlength=marks.size)
        hazard = np.divide(failures, watched, out=np.zeros(marks.size), where=watched > 0)
        pull = np.zeros(2000)
        for age in marks[watched > 0]:
            at_risk = (start < age) & (age <= stop)
            happened = at_risk & event & (stop == age)
            pull += (
                np.bincount(site, happened, 2000) - np.bincount(site, at_risk, 2000) * hazard[age]
            ) / watched[age]
        assert curve.std_error[-1] == pytest.approx(math.sqrt((pull**2).sum()))

    @unhurried
    @given(fleets(), st.floats(0.01, 1e3))
    def test_unit_and_order_do_not_matter(self, fleet: Fleet, unit: float) -> None:
        item = np.arange(fleet.exit.size)
        curve = mean_cumulative(fleet.entry, fleet.exit, fleet.failed, item, cluster=fleet.site)
        order = np.random.default_rng(3).permutation(item)
        mixed = fleet.shuffled(order)
        scaled = mean_cumulative(
            mixed.entry * unit, mixed.exit * unit, mixed.failed, item[order], cluster=mixed.site
        )
        np.testing.assert_allclose(scaled.mean, curve.mean)
        np.testing.assert_allclose(scaled.std_error, curve.std_error, atol=1e-7)

    @unhurried
    @given(fleets())
    def test_cutting_spans_in_two_changes_nothing(self, fleet: Fleet) -> None:
        item = np.arange(fleet.exit.size)
        middle = np.floor((fleet.entry + fleet.exit) / 2).clip(fleet.entry, fleet.exit)
        pairs = np.stack([item, item], axis=1).ravel()
        entry = np.stack([fleet.entry, middle], axis=1).ravel()
        exit = np.stack([middle, fleet.exit], axis=1).ravel()
        event = np.stack([np.zeros_like(fleet.failed), fleet.failed], axis=1).ravel()
        whole = mean_cumulative(fleet.entry, fleet.exit, fleet.failed, item, cluster=fleet.site)
        cut = mean_cumulative(entry, exit, event, pairs, cluster=fleet.site[pairs])
        np.testing.assert_allclose(cut.mean, whole.mean)
        np.testing.assert_allclose(cut.std_error, whole.std_error, atol=1e-7)

    @unhurried
    @given(fleets())
    def test_two_fleets_alike_halve_the_variance(self, fleet: Fleet) -> None:
        size = fleet.exit.size
        one = mean_cumulative(fleet.entry, fleet.exit, fleet.failed, np.arange(size), cluster=fleet.site)
        columns = [np.tile(column, 2) for column in (fleet.entry, fleet.exit, fleet.failed)]
        site = np.concatenate([fleet.site, fleet.site + 100])
        two = mean_cumulative(*columns, np.arange(2 * size), cluster=site)
        np.testing.assert_allclose(two.mean, one.mean)
        np.testing.assert_allclose(two.std_error**2 * 2, one.std_error**2, atol=1e-12)


class TestCompareMeanCumulative:
    """Whether two kinds gather failures at the same rate."""

    @pytest.mark.parametrize("seed", range(4))
    def test_like_the_plain_loop(self, seed: int) -> None:
        start, stop, event, _, site, kind = repairable_fleet(seed)
        test = compare_mean_cumulative(start, stop, event, site, kind)
        rows = list(zip(start, stop, event, site, strict=True))
        assert test.statistic == pytest.approx(naive.two_sample(rows, kind.tolist()))
        assert test.p_value == pytest.approx(math.erfc(math.sqrt(test.statistic / 2)))
        assert test.degrees == 1

    def test_bladder_recurrences_like_the_plain_loop(self) -> None:
        bladder = data_set("bladder2")
        columns = [bladder[name].tolist() for name in ("start", "stop", "event", "id")]
        test = compare_mean_cumulative(*columns, bladder["rx"])
        rows = [(a, b, int(c), d) for a, b, c, d in zip(*columns, strict=True)]
        assert test.statistic == pytest.approx(naive.two_sample(rows, [int(rx) - 1 for rx in bladder["rx"]]))

    def test_near_the_robust_wald_test_of_lifelines_on_first_failures(self) -> None:
        # The score test here and the Wald test there are not equal, but near where groups hardly differ.
        # From age 0, because lifelines' cluster-robust error with late entry is not the robust one.
        fleet = make_fleet(21, parts=3000, sites=400)
        zero = np.zeros(3000)
        test = compare_mean_cumulative(zero, fleet.exit, fleet.failed, fleet.site, fleet.group)
        table = pd.DataFrame(
            {"exit": fleet.exit, "failed": fleet.failed, "group": fleet.group, "site": fleet.site}
        )
        peer = lifelines.CoxPHFitter().fit(table, "exit", "failed", cluster_col="site")
        assert math.sqrt(test.statistic) == pytest.approx(abs(peer.summary.loc["group", "z"]), rel=0.03)

    def test_kinds_never_watched_together_cannot_differ(self) -> None:
        test = compare_mean_cumulative([0, 0, 9, 9], [5, 6, 12, 15], [1, 1, 1, 1], [1, 2, 3, 4], list("aabb"))
        assert (test.statistic, test.p_value) == (0.0, 1.0)

    def test_needs_exactly_two_groups(self) -> None:
        with pytest.raises(ValueError, match="exactly two groups with time at risk, but it names 3"):
            compare_mean_cumulative([0, 0, 0], [5, 6, 7], [1, 1, 1], [1, 2, 3], list("abc"))

    @unhurried
    @given(fleets())
    def test_names_order_and_unit_do_not_matter(self, fleet: Fleet) -> None:
        if np.unique(fleet.group[fleet.entry < fleet.exit]).size < 2:
            return
        test = compare_mean_cumulative(fleet.entry, fleet.exit, fleet.failed, fleet.site, fleet.group)
        mixed = fleet.shuffled(np.random.default_rng(1).permutation(fleet.exit.size))
        names = np.where(mixed.group == 0, "z", "y")
        other = compare_mean_cumulative(mixed.entry * 3.7, mixed.exit * 3.7, mixed.failed, mixed.site, names)
        assert other.statistic == pytest.approx(test.statistic, rel=1e-6, abs=1e-9)


class TestDifference:
    """By how much one kind is ahead of the other at one age."""

    def test_like_two_curves_when_no_site_has_both(self) -> None:
        start, stop, event, item, site, _ = repairable_fleet(11)
        kind = site % 2
        difference = mean_cumulative_difference(start, stop, event, site, kind, age=120)
        curves = [
            mean_cumulative(
                *(column[kind == each] for column in (start, stop, event, item)), cluster=site[kind == each]
            )
            for each in (0, 1)
        ]
        means = [float(curve.at(120)) for curve in curves]
        errors = [curve.std_error[np.searchsorted(curve.time, 120, side="right") - 1] for curve in curves]
        assert difference.difference == pytest.approx(means[0] - means[1])
        assert difference.std_error == pytest.approx(math.hypot(*errors))
        assert difference.groups == (0, 1)
        reach = stats.t.ppf(0.975, np.unique(site).size - 1)
        assert difference.high == pytest.approx(difference.difference + reach * difference.std_error)
        assert difference.low == pytest.approx(difference.difference - reach * difference.std_error)

    def test_sites_with_both_kinds_are_pairs(self) -> None:
        # Every site has the same history twice, once of each kind: no difference and no doubt about it.
        start, stop, event = [0, 0, 0, 0], [5, 5, 8, 8], [1, 1, 0, 0]
        difference = mean_cumulative_difference(start, stop, event, [1, 1, 2, 2], [0, 1, 0, 1], age=9)
        assert (difference.difference, difference.std_error) == (0, pytest.approx(0))


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"start": [-1.0, 1.0]}, "start holds a negative time"),
        ({"stop": [2.0, math.nan]}, "stop holds a time that is not a number"),
        ({"stop": [2.0, 0.5]}, "stop comes before start in record 1"),
        ({"event": [1]}, "event has 1"),
        ({"event": [1, -1]}, "event holds a negative number"),
        ({"event": [1, 0.5]}, "event must hold whole numbers"),
        ({"event": ["a", "b"]}, "event must hold whole numbers"),
        ({"item": ["a"]}, "item has 1"),
        ({"stop": [0.0, 1.0]}, "Nothing was watched"),
        ({"confidence": 1.5}, "confidence must lie between 0 and 1"),
    ],
)
def test_bad_input_is_answered_by_a_sentence(bad: dict[str, object], words: str) -> None:
    good = {"start": [0.0, 1.0], "stop": [2.0, 3.0], "event": [1, 0], "item": ["a", "b"]}
    with pytest.raises(ValueError, match=words):
        mean_cumulative(**{**good, **bad})  # type: ignore[arg-type]


def test_whole_counts_may_come_as_floats() -> None:
    floats = mean_cumulative([0, 0], [5, 6], [2.0, 0.0], ["a", "b"])
    assert floats.events.tolist() == [2]
