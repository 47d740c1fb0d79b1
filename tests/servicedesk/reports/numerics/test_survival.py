"""Curves of parts without failure, held against published data, plain loops and other libraries."""

from __future__ import annotations

import math
import warnings

import lifelines
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifelines.exceptions import StatError
from lifelines.utils import qth_survival_times
from statsmodels.duration.survfunc import SurvfuncRight, survdiff

from servicedesk.reports.numerics.survival.curves import ages_at_risk, kaplan_meier, log_rank
from tests.servicedesk.reports.numerics import naive
from tests.servicedesk.reports.numerics.fleets import Fleet, fleets, make_fleet, unhurried
from tests.servicedesk.reports.numerics.published import Check, data_set


class TestPublishedCurves:
    """Printed survival curves."""

    def test_remission_of_leukaemia(self) -> None:
        check = Check("freireich_km")
        weeks = check.input["time"]
        curve = kaplan_meier([0] * len(weeks), weeks, check.input["status"])
        check.holds("times", curve.time)
        check.holds("S", curve.survival)
        check.holds("se", curve.std_error)
        check.holds("loglog95_lower", curve.low)
        check.holds("loglog95_upper", curve.high)

    def test_nist_test_of_twenty_units(self) -> None:
        check = Check("nist_km")
        failures, removed = check.input["failures"], check.input["removed"]
        hours = [*failures, *removed, *[200] * check.input["survived_200"]]
        failed = [1] * len(failures) + [0] * (len(hours) - len(failures))
        curve = kaplan_meier([0.0] * len(hours), hours, failed)
        check.holds("at_risk", curve.at_risk)
        check.holds("R", curve.survival)

    def test_heart_transplants_enter_late(self) -> None:
        check, heart = Check("heart_km_entry"), data_set("heart")
        for transplant, name in ((0, "no_transplant"), (1, "transplant")):
            mine = heart["transplant"] == transplant
            curve = kaplan_meier(heart["start"][mine], heart["stop"][mine], heart["event"][mine])
            days = check.input["times"]
            check.holds(f"S_{name}", [curve.at(day) for day in days])
            if not transplant:
                steps = np.searchsorted(curve.time, days, side="right") - 1
                check.holds("se_no_transplant", curve.std_error[steps])

    def test_channing_house_falls_to_zero_unless_started_later(self) -> None:
        check, house = Check("channing_left_trunc_trap"), data_set("channing")
        right = house["ageentry"] < house["age"]
        columns = {}
        for gender in (1, 2):
            mine = right & (house["gender"] == gender)
            columns[gender] = house["ageentry"][mine], house["age"][mine], house["death"][mine]
        whole, later = kaplan_meier(*columns[1]), kaplan_meier(*columns[1], from_age=960)
        check.holds("S_male_at_900_unconditional", whole.at(900))
        check.holds("S_male_1000_given_960", later.at(1000))
        check.holds("S_male_1080_given_960", later.at(1080))
        check.holds("S_female_1080_given_960", kaplan_meier(*columns[2], from_age=960).at(1080))
        assert later.start == 960
        # Once the curve is at zero nothing is left to have an error or limits.
        assert math.isnan(whole.at(900).low)
        assert np.isnan(whole.std_error[-1])

    def test_channing_house_men_are_enough_only_from_a_later_age_on(self) -> None:
        house = data_set("channing")
        men = (house["ageentry"] < house["age"]) & (house["gender"] == 1)
        ages = ages_at_risk(house["ageentry"][men], house["age"][men])
        rows = [(a, b, 0, 0) for a, b in zip(house["ageentry"][men], house["age"][men], strict=True)]
        every = sorted({end for row in rows for end in row[:2]})
        start = next(age for age in every if len(naive.at_risk(rows, age + 0.5)) >= 10)
        stop = next(age for age in every if age > start and len(naive.at_risk(rows, age + 0.5)) < 5)
        assert (ages.start, ages.stop) == (start, stop)
        assert (
            kaplan_meier(*(house[name][men] for name in ("ageentry", "age", "death")), from_age=start).at(
                1000
            )
            > 0
        )

    def test_kidney_catheters(self) -> None:
        check = Check("kidney_catheter_logrank")
        months, status, group = (check.input[name] for name in ("time", "status", "group"))
        test = log_rank([0.0] * len(months), months, status, group)
        check.holds("O_minus_E", test.observed[0] - test.expected[0])
        check.holds("V", test.variance[0, 0])
        check.holds("Z", math.sqrt(test.statistic))
        assert (test.groups.tolist(), test.degrees) == ([1, 2], 1)


class TestKaplanMeier:
    """The curve on made-up fleets."""

    @pytest.mark.parametrize("by_site", [False, True])
    @pytest.mark.parametrize("whole_days", [False, True])
    @pytest.mark.parametrize("from_age", [None, 400.0])
    def test_like_the_plain_loop(self, by_site: bool, whole_days: bool, from_age: float | None) -> None:
        fleet = make_fleet(1, whole_days=whole_days)
        curve = kaplan_meier(
            fleet.entry, fleet.exit, fleet.failed, cluster=fleet.site if by_site else None, from_age=from_age
        )
        steps = naive.kaplan_meier(fleet.rows(), from_age=from_age or 0.0, by_site=by_site)
        assert curve.time.tolist() == [step.age for step in steps]
        assert curve.at_risk.tolist() == [step.at_risk for step in steps]
        assert curve.failures.tolist() == [step.events for step in steps]
        np.testing.assert_allclose(curve.survival, [step.value for step in steps], rtol=1e-10)
        np.testing.assert_allclose(curve.std_error**2, [step.variance for step in steps], rtol=1e-8)
        z = 1.959963984540054
        for step, low, high in zip(steps, curve.low, curve.high, strict=True):
            log = math.log(step.value)
            spread = z * math.sqrt(step.variance) / step.value / -log
            assert low == pytest.approx(math.exp(log * math.exp(spread)))
            assert high == pytest.approx(math.exp(log * math.exp(-spread)))

    def test_few_sites_widen_the_limits_by_the_t_quantile(self) -> None:
        fleet = make_fleet(2, sites=6)
        curve = kaplan_meier(fleet.entry, fleet.exit, fleet.failed, cluster=fleet.site)
        t = 2.5705818366147395  # 97.5% point on 5 degrees of freedom (any t table)
        log = np.log(curve.survival)
        spread = t * curve.std_error / curve.survival / -log
        np.testing.assert_allclose(curve.low, np.exp(log * np.exp(spread)))

    def test_one_site_is_no_evidence_of_a_spread(self) -> None:
        curve = kaplan_meier([0, 0, 0], [5, 6, 7], [1, 1, 0], cluster=["a", "a", "a"])
        np.testing.assert_allclose(curve.std_error, 0, atol=1e-7)
        assert np.isnan(curve.low).all()

    def test_parts_each_in_a_site_of_its_own_have_greenwoods_variance(self) -> None:
        # Known of this curve without delayed entry: the infinitesimal jackknife is Greenwood's formula.
        fleet = make_fleet(3)
        zero = np.zeros(fleet.exit.size)
        alone = kaplan_meier(zero, fleet.exit, fleet.failed, cluster=np.arange(fleet.exit.size))
        np.testing.assert_allclose(alone.std_error, kaplan_meier(zero, fleet.exit, fleet.failed).std_error)

    def test_like_statsmodels_and_lifelines_with_late_entry(self) -> None:
        fleet = make_fleet(4)
        curve = kaplan_meier(fleet.entry, fleet.exit, fleet.failed)
        peer = SurvfuncRight(fleet.exit, fleet.failed, entry=fleet.entry)
        np.testing.assert_allclose(curve.survival, peer.surv_prob, rtol=1e-12)
        np.testing.assert_allclose(curve.std_error, peer.surv_prob_se, rtol=1e-9)
        other = lifelines.KaplanMeierFitter().fit(fleet.exit, fleet.failed, entry=fleet.entry)
        np.testing.assert_allclose(curve.survival, other.survival_function_at_times(curve.time), rtol=1e-10)
        limits = other.confidence_interval_.loc[curve.time].to_numpy()
        np.testing.assert_allclose(curve.low, limits[:, 0], rtol=1e-8)
        np.testing.assert_allclose(curve.high, limits[:, 1], rtol=1e-8)

    def test_a_risk_set_that_empties_without_a_failure_is_no_error(self) -> None:
        # lifelines stops here with a StatError; nobody being watched for a while spoils no curve.
        entry, exit, failed = [0, 0, 10, 10], [4, 5, 15, 16], [1, 0, 1, 0]
        curve = kaplan_meier(entry, exit, failed)
        assert curve.survival.tolist() == pytest.approx([0.5, 0.25])
        fitter = lifelines.KaplanMeierFitter()
        with pytest.raises(StatError):
            fitter.fit(exit, failed, entry=entry)

    def test_a_record_of_no_length_is_left_out(self) -> None:
        # lifelines counts it as failing without being at risk: its curve drops too far. statsmodels refuses.
        entry, exit, failed = [0, 0, 3], [3, 5, 3], [1, 1, 1]
        curve = kaplan_meier(entry, exit, failed)
        assert curve.survival.tolist() == pytest.approx([0.5, 0.0])
        assert curve.survival.tolist() == kaplan_meier(entry[:2], exit[:2], failed[:2]).survival.tolist()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            peer = lifelines.KaplanMeierFitter().fit(exit, failed, entry=entry)
        assert peer.survival_function_at_times(3).item() != pytest.approx(0.5)
        with pytest.raises(ValueError, match="Entry times"):
            SurvfuncRight(np.array(exit), np.array(failed), entry=np.array(entry))

    def test_nothing_failed_is_a_curve_without_steps(self) -> None:
        curve = kaplan_meier([0, 0], [5, 6], [0, 0])
        assert curve.time.size == 0
        assert (curve.at(6), curve.at(6).low) == (1.0, 1.0)
        assert math.isnan(curve.quantile(0.5))

    def test_a_failure_on_the_day_of_fitting_is_half_a_day_old(self) -> None:
        curve = kaplan_meier([0, 0, 0], [0.5, 3, 7], [1, 1, 0])
        assert curve.time.tolist() == [0.5, 3.0]

    def test_the_curve_says_nothing_before_it_starts(self) -> None:
        curve = kaplan_meier([0, 0], [5, 9], [1, 1], from_age=4)
        with pytest.raises(ValueError, match="starts at age 4"):
            curve.at(3)

    @unhurried
    @given(fleets(), st.floats(0.01, 1e3))
    def test_unit_and_order_do_not_matter(self, fleet: Fleet, unit: float) -> None:
        curve = kaplan_meier(fleet.entry, fleet.exit, fleet.failed, cluster=fleet.site)
        order = np.random.default_rng(7).permutation(fleet.exit.size)
        mixed = fleet.shuffled(order)
        scaled = kaplan_meier(mixed.entry * unit, mixed.exit * unit, mixed.failed, cluster=mixed.site)
        np.testing.assert_allclose(scaled.time, curve.time * unit)
        np.testing.assert_allclose(scaled.survival, curve.survival, atol=1e-12)
        np.testing.assert_allclose(scaled.std_error, curve.std_error, atol=1e-7)

    @unhurried
    @given(fleets())
    def test_cutting_a_life_in_two_at_any_age_changes_nothing(self, fleet: Fleet) -> None:
        middle = np.floor((fleet.entry + fleet.exit) / 2)
        middle = np.clip(middle, fleet.entry, fleet.exit)
        entry, exit = np.concatenate([fleet.entry, middle]), np.concatenate([middle, fleet.exit])
        failed = np.concatenate([np.zeros_like(fleet.failed), fleet.failed])
        # A life of no length stays one, unless its first half holds it.
        whole, cut = kaplan_meier(fleet.entry, fleet.exit, fleet.failed), kaplan_meier(entry, exit, failed)
        real = (middle < fleet.exit) | ~fleet.failed
        if real.all():
            np.testing.assert_allclose(cut.survival, whole.survival)
            np.testing.assert_array_equal(cut.at_risk, whole.at_risk)

    @unhurried
    @given(fleets())
    def test_two_fleets_alike_make_the_same_curve(self, fleet: Fleet) -> None:
        one = kaplan_meier(fleet.entry, fleet.exit, fleet.failed)
        two = kaplan_meier(*(np.tile(column, 2) for column in (fleet.entry, fleet.exit, fleet.failed)))
        np.testing.assert_allclose(two.survival, one.survival, atol=1e-12)
        assert np.all(np.diff(one.survival) <= 0)


class TestQuantile:
    """The age by which a share has failed."""

    def test_median_remission(self) -> None:
        check = Check("freireich_km")
        weeks = check.input["time"]
        curve = kaplan_meier([0] * len(weeks), weeks, check.input["status"])
        # Median 23 weeks, lower limit 13, upper not reached: R's survfit, from memory.
        median = curve.quantile(0.5)
        assert (median, median.low) == (23, 13)
        assert math.isnan(median.high)

    def test_like_lifelines(self) -> None:
        fleet = make_fleet(5)
        curve = kaplan_meier(fleet.entry, fleet.exit, fleet.failed)
        peer = lifelines.KaplanMeierFitter().fit(fleet.exit, fleet.failed, entry=fleet.entry)
        for p in (0.1, 0.25, 0.5):
            assert curve.quantile(p) == qth_survival_times(1 - p, peer.survival_function_)

    def test_exactly_half_counts_as_half(self) -> None:
        # Three shares multiplied up come out a rounding above one half.
        curve = kaplan_meier([0] * 6, range(1, 7), [1] * 6)
        assert curve.quantile(0.5) == 3

    def test_share_must_be_a_share(self) -> None:
        with pytest.raises(ValueError, match="p must lie between 0 and 1"):
            kaplan_meier([0], [1], [1]).quantile(1.0)


class TestLogRank:
    """Whether groups fail at the same ages."""

    @pytest.mark.parametrize("seed", range(3))
    def test_like_the_plain_loop(self, seed: int) -> None:
        fleet = make_fleet(seed)
        test = log_rank(fleet.entry, fleet.exit, fleet.failed, fleet.group)
        observed, expected, variance = naive.log_rank(fleet.rows(), fleet.group.tolist())
        assert test.observed[0] == observed
        assert test.expected[0] == pytest.approx(expected)
        assert test.variance[0, 0] == pytest.approx(variance)
        assert test.statistic == pytest.approx((observed - expected) ** 2 / variance)

    def test_like_statsmodels_with_late_entry(self) -> None:
        fleet = make_fleet(7, parts=300)
        three = fleet.site % 3
        test = log_rank(fleet.entry, fleet.exit, fleet.failed, three)
        peer = survdiff(fleet.exit, fleet.failed, three, entry=fleet.entry)
        assert (test.statistic, test.p_value) == pytest.approx(peer, rel=1e-9)
        assert test.degrees == 2

    def test_like_statsmodels_with_strata(self) -> None:
        # statsmodels cannot take strata and entry together (it looks up entries in wrong rows): from age 0.
        fleet = make_fleet(8, parts=300)
        three, layer, zero = fleet.site % 3, (fleet.site // 3) % 2, np.zeros(300)
        test = log_rank(zero, fleet.exit, fleet.failed, three, strata=layer)
        peer = survdiff(fleet.exit, fleet.failed, three, strata=layer)
        assert (test.statistic, test.p_value) == pytest.approx(peer, rel=1e-9)

    def test_strata_add_up(self) -> None:
        fleet = make_fleet(9, parts=300)
        layer = (fleet.site // 2) % 3
        test = log_rank(fleet.entry, fleet.exit, fleet.failed, fleet.group, strata=layer)
        sums = np.zeros(3)
        for each in range(3):
            part = fleet.shuffled(np.flatnonzero(layer == each))
            sums += naive.log_rank(part.rows(), part.group.tolist())
        assert (test.observed[0], test.expected[0], test.variance[0, 0]) == pytest.approx(tuple(sums))

    def test_groups_never_watched_together_cannot_differ(self) -> None:
        test = log_rank([0, 0, 10, 10], [5, 6, 15, 16], [1, 1, 1, 1], list("aabb"))
        assert (test.statistic, test.degrees, test.p_value) == (0.0, 0, 1.0)

    def test_one_group_is_no_comparison(self) -> None:
        with pytest.raises(ValueError, match="a comparison needs two"):
            log_rank([0, 0, 3], [5, 6, 3], [1, 1, 1], list("aab"))

    @unhurried
    @given(fleets())
    def test_names_order_and_unit_do_not_matter(self, fleet: Fleet) -> None:
        if np.unique(fleet.group[fleet.entry < fleet.exit]).size < 2:
            return
        test = log_rank(fleet.entry, fleet.exit, fleet.failed, fleet.group)
        order = np.random.default_rng(1).permutation(fleet.exit.size)
        mixed = fleet.shuffled(order)
        names = np.where(mixed.group == 0, "z", "y")
        other = log_rank(mixed.entry * 7.3, mixed.exit * 7.3, mixed.failed, names)
        assert other.statistic == pytest.approx(test.statistic, abs=1e-9)
        assert other.observed.tolist() == test.observed[::-1].tolist()
        assert 0 <= test.p_value <= 1

    @unhurried
    @given(fleets())
    def test_splitting_identical_groups_finds_nothing(self, fleet: Fleet) -> None:
        columns = [np.tile(column, 2) for column in (fleet.entry, fleet.exit, fleet.failed)]
        test = log_rank(*columns, np.repeat([0, 1], fleet.exit.size))
        assert test.statistic == pytest.approx(0, abs=1e-9)


class TestWatchedAges:
    """Where a curve may start and must stop."""

    def test_never_enough(self) -> None:
        ages = ages_at_risk([0, 0], [5, 6])
        assert math.isnan(ages.start)
        assert math.isnan(ages.stop)

    def test_stops_at_the_last_exit_when_enough_stay(self) -> None:
        ages = ages_at_risk([0] * 12, [9] * 12)
        assert (ages.start, ages.stop) == (0, 9)

    def test_limits_must_make_sense(self) -> None:
        with pytest.raises(ValueError, match="to_go_on must be"):
            ages_at_risk([0], [1], to_start=3, to_go_on=4)


GOOD = {"entry": [0.0, 1.0], "exit": [2.0, 3.0], "failed": [1, 0]}


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"entry": [-1.0, 1.0]}, "entry holds a negative time"),
        ({"entry": [math.nan, 1.0]}, "entry holds a time that is not a number"),
        ({"exit": [2.0, math.inf]}, "exit holds an infinite time"),
        ({"exit": [2.0, 0.5]}, "exit comes before entry in record 1"),
        ({"exit": [2.0]}, "entry has 2, exit has 1"),
        ({"failed": [1]}, "failed has 1"),
        ({"failed": [1, 2]}, "failed must hold yes or no"),
        ({"failed": ["yes", "no"]}, "failed must hold yes or no"),
        ({"entry": ["a", "b"]}, "entry must hold numbers"),
        ({"entry": [[0.0], [1.0]]}, "entry must be one column"),
        ({"exit": [0.0, 1.0]}, "Nothing was watched"),
        ({"entry": [], "exit": [], "failed": []}, "Nothing was watched"),
        ({"cluster": [1.0, math.nan]}, "cluster is missing for some records"),
        ({"cluster": [None, "a"]}, "cluster mixes labels"),
        ({"from_age": -1.0}, "from_age cannot be negative"),
        ({"from_age": 7.0}, "Nothing was watched: no record has an exit after its entry and after age 7"),
    ],
)
def test_bad_input_is_answered_by_a_sentence(bad: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        kaplan_meier(**{**GOOD, **bad})  # type: ignore[arg-type]
