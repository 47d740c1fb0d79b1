"""Forecasts and stocks, held against the Poisson table, plain sums, simulation and second libraries."""

from __future__ import annotations

import math
import pickle

import lifelines
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from servicedesk.reports.lifetimes.bootstrap import History, Power, records_of_lives, records_of_repairs
from servicedesk.reports.lifetimes.forecast import Prediction, expected_failures, fit_repairs, predict_events
from servicedesk.reports.lifetimes.trend import PowerLaw, fit_power_law
from servicedesk.reports.lifetimes.weibull import ScaleFit, WeibullFit, fit_weibull
from tests.servicedesk.reports.lifetimes.fleets import Fleet, make_fleet, unhurried
from tests.servicedesk.reports.lifetimes.published import Check


def known_life(shape: float, scale: float) -> ScaleFit:
    """Give a life that is known."""
    return ScaleFit(shape=shape, scale=scale, scale_low=scale, scale_high=scale, failures=0)


def known_repairs(shape: float, rate: float) -> PowerLaw:
    """Give a power law that is known."""
    return PowerLaw(rate=rate, shape=shape, low=shape, high=shape, unbiased_shape=math.nan, events=0)


class TestPredictEvents:
    """Failures to come at a constant rate."""

    def test_poisson_table_when_the_rate_is_known(self) -> None:
        # With an endless past the rate is known and the prediction is the plain Poisson table.
        check = Check("spares_poisson")
        prediction = predict_events(check.input["mean"] * 1e9, 1e9, 1)
        check.holds("stock", prediction.stock_for(check.input["level"]))
        assert stats.poisson.cdf(8, 4) == pytest.approx(check.value("P(N<=8)"), abs=1e-4)
        assert prediction.stock_for(0.978) == 8
        assert prediction.stock_for(0.979) == 9

    @pytest.mark.parametrize("effect", [1.0, 2.5])
    def test_like_the_plain_negative_binomial_sum(self, effect: float) -> None:
        prediction = predict_events(3, 41, 20, design_effect=effect)
        mean = 3.5 * 20 / 41
        variance = effect * mean + effect * mean**2 / 3.5
        size, chance = mean**2 / (variance - mean), mean / variance
        total, below = 0.0, -1
        while total < 0.975:
            below += 1
            total += math.exp(
                math.lgamma(size + below) - math.lgamma(size) - math.lgamma(below + 1)
                + size * math.log(chance) + below * math.log1p(-chance)
            )  # fmt: skip
        assert (prediction.mean, prediction.high) == (pytest.approx(mean), below)
        assert prediction.stock_for(0.975) == below

    def test_is_a_poisson_count_of_a_gamma_rate(self) -> None:
        rng = np.random.default_rng(1)
        draws = rng.poisson(rng.gamma(6.5, 1 / 10, 200_000) * 8)
        prediction = predict_events(6, 10, 8)
        assert draws.mean() == pytest.approx(prediction.mean, rel=0.01)
        assert abs(np.quantile(draws, 0.975) - prediction.high) <= 1

    def test_nothing_to_come(self) -> None:
        prediction = predict_events(3, 10, 0)
        assert (prediction.mean, prediction.low, prediction.high, prediction.stock_for(0.99)) == (0, 0, 0, 0)

    def test_nothing_failed_so_far_still_needs_a_stock(self) -> None:
        assert predict_events(0, 10, 10).stock_for(0.95) >= 1

    @unhurried
    @given(st.integers(0, 50), st.floats(0.1, 100), st.floats(0.1, 100), st.floats(0.01, 100))
    def test_unit_does_not_matter_and_certainty_costs(
        self, n: int, past: float, ahead: float, unit: float
    ) -> None:
        prediction, scaled = predict_events(n, past, ahead), predict_events(n, past * unit, ahead * unit)
        assert scaled.mean == pytest.approx(prediction.mean)
        assert prediction.low <= prediction.mean <= prediction.high + 1
        assert prediction.stock_for(0.99) >= prediction.stock_for(0.9)

    def test_intervals_hold_what_comes(self) -> None:
        rng = np.random.default_rng(3)
        held = 0
        for _ in range(1000):
            prediction = predict_events(rng.poisson(6), 10, 7)
            held += prediction.low <= rng.poisson(0.6 * 7) <= prediction.high
        assert 940 <= held <= 995

    def test_outlives_a_pickle(self) -> None:
        again = pickle.loads(pickle.dumps(predict_events(3, 10, 8)))  # noqa: S301 (just pickled here)
        assert again.stock_for(0.9) == predict_events(3, 10, 8).stock_for(0.9)

    @pytest.mark.parametrize(
        ("arguments", "words"),
        [
            ((1, 0, 1), "exposure must be above zero"),
            ((-1, 1, 1), "events cannot be negative"),
            ((1, 1, math.inf), "future_exposure is not a finite number"),
        ],
    )
    def test_bad_input_is_answered_by_a_sentence(
        self, arguments: tuple[float, float, float], words: str
    ) -> None:
        with pytest.raises(ValueError, match=words):
            predict_events(*arguments)

    def test_a_service_level_is_a_share(self) -> None:
        with pytest.raises(ValueError, match="service_level must lie between 0 and 1"):
            predict_events(1, 1, 1).stock_for(95)


class TestExpectedFailures:
    """Failures to come of the items in place."""

    def test_repairs_like_the_plain_sum(self) -> None:
        ages, ahead = [0, 100, 250, 250], [365, 365, 100, 20]
        prediction = expected_failures(known_repairs(1.7, 1e-4), ages, ahead)
        plain = sum(1e-4 * ((a + h) ** 1.7 - a**1.7) for a, h in zip(ages, ahead, strict=True))
        assert prediction.mean == pytest.approx(plain)
        # What happens is Poisson when the fit is taken as known.
        assert (prediction.low, prediction.high) == pytest.approx(
            stats.poisson.ppf([0.025, 0.975], plain), abs=1
        )

    def test_first_failures_like_the_plain_sum_and_lifelines(self) -> None:
        ages = [0, 300, 900, 900]
        prediction = expected_failures(known_life(2.2, 1000), ages, 365, renew=False)
        survival = [math.exp(-((age / 1000) ** 2.2)) for age in (0, 365, 300, 665, 900, 1265)]
        plain = (
            1
            - survival[1] / survival[0]
            + 1
            - survival[3] / survival[2]
            + 2 * (1 - survival[5] / survival[4])
        )
        assert prediction.mean == pytest.approx(plain)
        fleet = make_fleet(1, parts=400)
        fit = fit_weibull(fleet.entry, fleet.exit, fleet.failed)
        peer = lifelines.WeibullFitter().fit(fleet.exit, fleet.failed, entry=fleet.entry)
        left = peer.survival_function_at_times(np.array([500, 865])).to_numpy()
        assert expected_failures(fit, [500], 365, renew=False).mean == pytest.approx(
            1 - left[1] / left[0], rel=1e-4
        )

    def test_a_constant_rate_renews_at_the_same_rate(self) -> None:
        prediction = expected_failures(known_life(1.0, 100), [0, 5, 700], 80)
        assert prediction.mean == pytest.approx(3 * 0.8, rel=1e-5)

    @pytest.mark.parametrize(("shape", "ahead"), [(3.0, 250.0), (0.6, 150.0)])
    def test_renewals_like_direct_simulation(self, shape: float, ahead: float) -> None:
        prediction = expected_failures(known_life(shape, 100), [0, 60] * 200, ahead, replicates=2000)
        rng = np.random.default_rng(5)
        counts = []
        for age in [0.0, 60.0] * 3000:
            clock = 100 * ((age / 100) ** shape + rng.exponential()) ** (1 / shape) - age
            count = 0
            while clock <= ahead:
                count += 1
                clock += 100 * rng.weibull(shape)
            counts.append(count)
        error = np.std(counts) / math.sqrt(len(counts))
        assert prediction.mean / 400 == pytest.approx(np.mean(counts), abs=4 * error)
        middle = prediction.quantile(0.5)
        assert middle == pytest.approx(prediction.mean, rel=0.02)

    def test_a_design_effect_inflates_the_variance(self) -> None:
        ages = np.full(200, 50.0)
        fit = known_repairs(1.0, 0.01)
        plain = expected_failures(fit, ages, 50, replicates=4000)
        inflated = expected_failures(fit, ages, 50, design_effect=4, replicates=4000)
        assert inflated.mean == plain.mean == pytest.approx(100)
        assert inflated.high - inflated.low == pytest.approx(2 * (plain.high - plain.low), rel=0.08)

    def test_no_time_ahead_no_failures(self) -> None:
        for renew in (True, False):
            prediction = expected_failures(known_life(2, 100), [10, 20], 0, renew=renew, design_effect=2)
            assert (prediction.mean, prediction.low, prediction.high) == (0, 0, 0)

    def test_nothing_failed_so_nothing_is_expected(self) -> None:
        endless = ScaleFit(shape=2, scale=math.inf, scale_low=500, scale_high=math.inf, failures=0)
        assert expected_failures(endless, [10, 0], 365).high == 0

    def test_the_seed_decides(self) -> None:
        first, second, other = (
            expected_failures(known_life(2, 300), range(100), 90, seed=seed, replicates=200)
            for seed in (1, 1, 2)
        )
        draws = [prediction.quantile.keywords["draws"].tolist() for prediction in (first, second, other)]  # type: ignore[attr-defined]
        assert draws[0] == draws[1] != draws[2]

    @unhurried
    @given(st.lists(st.integers(0, 900), min_size=1, max_size=20), st.floats(0.01, 100))
    def test_unit_and_order_do_not_matter(self, ages: list[int], unit: float) -> None:
        plain = expected_failures(known_life(1.8, 700), ages, 365, replicates=1)
        scaled = expected_failures(
            known_life(1.8, 700 * unit), np.array(ages[::-1]) * unit, 365 * unit, replicates=1
        )
        assert scaled.mean == pytest.approx(plain.mean, rel=1e-6)

    @pytest.mark.parametrize(
        ("ages", "horizon", "more", "words"),
        [
            ([], 1, {}, "ages is empty"),
            ([-1], 1, {}, "ages holds a negative time"),
            ([1, 2], [1], {}, "ages has 2, horizon has 1"),
            ([1], [math.nan], {}, "horizon holds a time that is not a number"),
            ([1], 1, {"replicates": 0}, "replicates must be at least 1"),
            ([1], 1e6, {}, "so many lives of the part"),
        ],
    )
    def test_bad_input_is_answered_by_a_sentence(
        self, ages: list[float], horizon: float, more: dict[str, int], words: str
    ) -> None:
        with pytest.raises(ValueError, match=words):
            expected_failures(known_life(2, 10), ages, horizon, **more)  # type: ignore[arg-type]


def history_of(fleet: Fleet) -> History:
    """Give the records of a fleet."""
    return History(fleet.entry, fleet.exit, fleet.failed, fleet.site)


def forecast(fit: WeibullFit | PowerLaw, history: History | None) -> Prediction:
    """Look a year ahead for a hundred items."""
    return expected_failures(fit, np.arange(0, 1000, 10), 365, history=history, replicates=300)


class TestSiteBootstrap:
    """Limits that hold the doubt about the fit."""

    def test_are_wider_than_without(self) -> None:
        fleet = make_fleet(3, parts=150, sites=12)
        fit = fit_weibull(fleet.entry, fleet.exit, fleet.failed)
        known, doubted = forecast(fit, None), forecast(fit, history_of(fleet))
        assert doubted.mean == known.mean
        assert doubted.high - doubted.low > 1.2 * (known.high - known.low)

    @pytest.mark.parametrize("loose", [False, True])
    def test_every_refit_is_the_fit_to_the_sites_drawn(self, loose: bool) -> None:
        fleet = make_fleet(4, parts=120, sites=10)
        good = np.maximum(fleet.entry, fleet.exit - 100) if loose else None
        history = History(fleet.entry, fleet.exit, fleet.failed, fleet.site * 7, last_good=good)
        records = records_of_lives(history)
        refits = list(records.refits(near=1.5, times=3, rng=np.random.default_rng(8)))
        rng = np.random.default_rng(8)
        for refit in refits:
            weight = np.bincount(rng.integers(10, size=10), minlength=10)
            rows = np.repeat(np.arange(120), weight[fleet.site])
            plain = fit_weibull(
                fleet.entry[rows],
                fleet.exit[rows],
                fleet.failed[rows],
                last_good=good[rows] if loose else None,
            )
            assert refit.shape == pytest.approx(plain.shape, rel=1e-6)
            assert math.exp(-refit.log_rate / refit.shape) == pytest.approx(plain.scale, rel=1e-6)

    def test_repairs_count_two_failures_on_one_day(self) -> None:
        history = History([0, 5, 0, 0], [5, 5, 9, 8], [1, 1, 1, 0], ["a", "a", "b", "c"])
        records = records_of_repairs(history)
        sample = records.weighted(np.ones(3))
        assert sample.number == 3
        fit = fit_power_law([[5, 5], [9], []], [0, 0, 0], [5, 9, 8])
        assert sample.fit().shape == pytest.approx(fit.shape)
        law = forecast(fit, history)
        assert law.low <= law.mean <= law.high

    def test_sites_without_failures_may_be_drawn_alone(self) -> None:
        history = History([0] * 4, [50, 60, 80, 90], [1, 0, 0, 0], ["a", "b", "c", "d"])
        drawn = list(records_of_lives(history).refits(near=1.0, times=30, rng=np.random.default_rng(1)))
        assert Power(1.0, -math.inf) in drawn
        assert expected_failures(known_life(1.0, 300), [10, 0], 30, history=history, replicates=30).low == 0

    def test_draws_no_shape_describes_are_passed_over(self) -> None:
        # Drawn alone, either site has all its failures at its oldest age.
        history = History([0, 0], [50, 60], [1, 1], ["a", "b"])
        drawn = list(records_of_lives(history).refits(near=1.0, times=40, rng=np.random.default_rng(1)))
        assert 0 < len(drawn) < 40

    def test_when_no_draw_can_be_fitted_it_says_so(self) -> None:
        with pytest.raises(ValueError, match="No draw of sites"):
            expected_failures(known_life(1, 9), [1], 1, history=History([0], [50], [1], ["a"]), replicates=5)


class TestFitRepairs:
    """The same power of age as from a list of failures, out of spans cut at every failure."""

    @given(st.integers(0, 10_000), st.booleans())
    @unhurried
    def test_it_is_the_fit_of_the_failures_item_by_item(self, seed: int, late: bool) -> None:
        rng = np.random.default_rng(seed)
        start = rng.integers(0, 900, 12) * late
        stop = start + rng.integers(400, 2000, 12)
        events = [
            np.unique(rng.integers(begin + 1, end + 1, rng.integers(1, 4)))
            for begin, end in zip(start, stop, strict=True)
        ]
        cuts = [np.unique([*ages, end]) for ages, end in zip(events, stop, strict=True)]
        begins = [np.array([begin, *cut[:-1]]) for begin, cut in zip(start, cuts, strict=True)]
        failed = [np.isin(cut, ages) for cut, ages in zip(cuts, events, strict=True)]
        site = np.repeat(np.arange(12) // 3, [cut.size for cut in cuts])
        found = fit_repairs(
            History(np.concatenate(begins), np.concatenate(cuts), np.concatenate(failed), site)
        )
        expected = fit_power_law(events, start, stop)
        assert found.shape == pytest.approx(expected.shape)
        assert found.rate == pytest.approx(expected.rate)
        assert found.events == expected.events
        if late:
            assert (found.low, found.high) == pytest.approx((expected.low, expected.high))
        assert math.isnan(found.unbiased_shape)

    def test_without_a_failure_there_is_no_fit(self) -> None:
        with pytest.raises(ValueError, match="Nothing failed"):
            fit_repairs(History([0, 0], [10, 20], [0, 0], [1, 2]))
