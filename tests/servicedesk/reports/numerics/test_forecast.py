"""Forecasts and stocks, held against the Poisson table, plain sums, simulation and second libraries."""

from __future__ import annotations

import math
import pickle
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from servicedesk.reports.forecast.year import MONTHS, Past, forecast_year
from servicedesk.reports.numerics.prediction.forecast import (
    Prediction,
    draw_counts,
    fit_repairs,
    predict_count,
    predict_counts,
)
from servicedesk.reports.numerics.survival.bootstrap import History, draw_all_sites, records_of_repairs
from servicedesk.reports.numerics.survival.intensity import FittedIntensity, Intensity, Spans, fit_intensity
from servicedesk.reports.numerics.survival.trend import fit_power_law
from servicedesk.reports.numerics.survival.weibull import fit_weibull
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from tests.servicedesk.reports.numerics.fleets import Fleet, make_fleet, unhurried
from tests.servicedesk.reports.numerics.published import Check

ONE_EACH = {1: 1}
"""Every failure took one piece."""


def at_a_constant_rate(events: float, years: float, items: float, *, effect: float = 1.0) -> Prediction:
    """Look a year ahead for some items at the rate of the past."""
    past = Past(events=events, years=years, effect=effect)
    return forecast_year(past, np.zeros(0), items=items, counts=np.ones(MONTHS)).year  # type: ignore[arg-type]


def test_counts_predicted_at_once_are_each_by_itself() -> None:
    means = np.array([0.0, 0.3, 4.0, 4.0, 250.0])
    variances = np.array([0.0, 0.3, 4.0, 31.0, 9000.0])
    for prediction, mean, variance in zip(predict_counts(means, variances), means, variances, strict=True):
        alone = predict_count(mean, variance)
        assert (prediction.mean, prediction.low, prediction.high) == (mean, alone.low, alone.high)
        if mean:
            size, share = (
                mean**2 / (max(variance, mean * (1 + 1e-9)) - mean),
                mean / max(variance, mean * (1 + 1e-9)),
            )
            assert [prediction.low, prediction.high] == stats.nbinom.ppf([0.025, 0.975], size, share).tolist()
            assert prediction.quantile(0.5) == stats.nbinom.median(size, share)
    assert predict_counts(means[:1], variances[:1])[0].high == 0


class TestConstantRate:
    """Failures to come at a constant rate."""

    def test_poisson_table_when_the_rate_is_known(self) -> None:
        # With an endless past the rate is known and the prediction is the plain Poisson table.
        check = Check("spares_poisson")
        prediction = at_a_constant_rate(check.input["mean"] * 1e9, 1e9, 1)
        check.holds("stock", prediction.pieces_for(check.input["level"], ONE_EACH))
        assert stats.poisson.cdf(8, 4) == pytest.approx(check.value("P(N<=8)"), abs=1e-4)
        assert prediction.pieces_for(0.978, ONE_EACH) == 8
        assert prediction.pieces_for(0.979, ONE_EACH) == 9

    @pytest.mark.parametrize("effect", [1.0, 2.5])
    def test_like_the_plain_negative_binomial_sum(self, effect: float) -> None:
        prediction = at_a_constant_rate(3, 41, 20, effect=effect)
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
        assert prediction.pieces_for(0.975, ONE_EACH) == below

    def test_is_a_poisson_count_of_a_gamma_rate(self) -> None:
        rng = np.random.default_rng(1)
        draws = rng.poisson(rng.gamma(6.5, 1 / 10, 200_000) * 8)
        prediction = at_a_constant_rate(6, 10, 8)
        assert draws.mean() == pytest.approx(prediction.mean, rel=0.01)
        assert abs(np.quantile(draws, 0.975) - prediction.high) <= 1

    def test_nothing_in_place(self) -> None:
        prediction = at_a_constant_rate(3, 10, 0)
        assert (prediction.mean, prediction.low, prediction.high) == (0, 0, 0)
        assert prediction.pieces_for(0.99, ONE_EACH) == 0

    def test_nothing_failed_so_far_still_needs_a_stock(self) -> None:
        assert at_a_constant_rate(0, 10, 10).pieces_for(0.95, ONE_EACH) >= 1

    @unhurried
    @given(st.integers(0, 50), st.floats(0.1, 100), st.floats(0.1, 100), st.floats(0.01, 100))
    def test_unit_does_not_matter_and_certainty_costs(
        self, n: int, past: float, ahead: float, unit: float
    ) -> None:
        prediction, scaled = (at_a_constant_rate(n, past * by, ahead * by) for by in (1.0, unit))
        assert scaled.mean == pytest.approx(prediction.mean)
        assert prediction.low <= prediction.mean <= prediction.high + 1
        assert prediction.pieces_for(0.99, ONE_EACH) >= prediction.pieces_for(0.9, ONE_EACH)

    def test_intervals_hold_what_comes(self) -> None:
        rng = np.random.default_rng(3)
        covered = 0
        for _ in range(1000):
            prediction = at_a_constant_rate(rng.poisson(6), 10, 7)
            covered += prediction.low <= rng.poisson(0.6 * 7) <= prediction.high
        assert 940 <= covered <= 995

    def test_outlives_a_pickle(self) -> None:
        prediction = at_a_constant_rate(3, 10, 8)
        again = pickle.loads(pickle.dumps(prediction))  # noqa: S301 (just pickled here)
        assert again.pieces_for(0.9, ONE_EACH) == prediction.pieces_for(0.9, ONE_EACH)

    def test_a_service_level_is_a_share(self) -> None:
        with pytest.raises(ValueError, match="service_level must lie between 0 and 1"):
            at_a_constant_rate(1, 1, 1).pieces_for(95, ONE_EACH)


class TestByAge:
    """Failures to come of the items in place, from the ages they have reached."""

    def test_repairs_like_the_plain_sum(self) -> None:
        ages = np.array([0.0, 100.0, 250.0, 250.0])
        known = Intensity(np.zeros(1), np.zeros(0), 1.7, math.log(1e-4))
        fitted = FittedIntensity(known, np.zeros((1, 0)), np.zeros((1, 0)), None)
        past = Past(events=20, years=100, fitted=fitted)
        mean = forecast_year(past, ages, items=4, counts=np.ones(MONTHS)).year.mean
        plain = sum(1e-4 * ((age + DAYS_PER_YEAR) ** 1.7 - age**1.7) for age in ages)
        assert mean == pytest.approx(plain)

    def test_what_happens_is_poisson_when_the_mean_is_known(self) -> None:
        prediction = draw_counts(12.5, np.full(20_000, 12.5), variance=12.5)
        assert (prediction.low, prediction.high) == pytest.approx(
            stats.poisson.ppf([0.025, 0.975], 12.5), abs=1
        )

    def test_a_design_effect_inflates_the_variance(self) -> None:
        drawn = np.full(4000, 100.0)
        plain, inflated = (draw_counts(100, drawn, variance=variance) for variance in (100.0, 400.0))
        assert inflated.mean == plain.mean == 100
        assert inflated.high - inflated.low == pytest.approx(2 * (plain.high - plain.low), rel=0.08)

    def test_nothing_is_expected_of_nothing(self) -> None:
        prediction = draw_counts(0.0, np.zeros(300), variance=0.0)
        assert (prediction.mean, prediction.low, prediction.high) == (0, 0, 0)

    def test_the_seed_decides(self) -> None:
        predictions = [draw_counts(30.0, np.full(200, 30.0), variance=30.0, seed=seed) for seed in (1, 1, 2)]
        draws = [each.quantile.keywords["draws"].tolist() for each in predictions]  # type: ignore[attr-defined]
        assert draws[0] == draws[1] != draws[2]


def history_of(fleet: Fleet) -> History:
    """Give the records of a fleet."""
    return History(fleet.entry, fleet.exit, fleet.failed, fleet.site * 7)


class TestSiteBootstrap:
    """Limits that hold the doubt about the fit."""

    def test_are_wider_than_without(self) -> None:
        fleet = make_fleet(3, parts=150, sites=12)
        fitted = fit_intensity(
            Spans(fleet.entry, fleet.exit, fleet.failed.astype(int), fleet.site, np.ones(150), 12)
        )
        ages = np.arange(0.0, 1000.0, 10.0)
        mean = float(fitted.best.between(ages, ages + 365).sum())
        known, doubted = (
            draw_counts(mean, drawn, variance=mean)
            for drawn in (np.full(1000, mean), fitted.drawn_means(ages, 365.0))
        )
        assert doubted.mean == known.mean
        assert doubted.high - doubted.low > 1.2 * (known.high - known.low)

    def test_every_refit_is_the_fit_to_the_sites_drawn(self) -> None:
        fleet = make_fleet(4, parts=120, sites=10)
        records = records_of_repairs(history_of(fleet))
        weights = draw_all_sites(10, 3, rng=np.random.default_rng(8))
        for weight, shape, log_rate in zip(weights, *records.refit_all(weights, near=1.5), strict=True):
            rows = np.repeat(np.arange(120), weight[fleet.site].astype(int))
            plain = fit_weibull(fleet.entry[rows], fleet.exit[rows], fleet.failed[rows])
            assert shape == pytest.approx(plain.shape, rel=1e-6)
            assert math.exp(-log_rate / shape) == pytest.approx(plain.scale, rel=1e-6)

    def test_a_large_fleet_is_drawn_some_draws_at_a_time(self, monkeypatch: pytest.MonkeyPatch) -> None:
        fleet = make_fleet(3, parts=150, sites=12)
        fitted = fit_intensity(
            Spans(fleet.entry, fleet.exit, fleet.failed.astype(int), fleet.site, np.ones(150), 12)
        )
        at_once = fitted.drawn_means(np.arange(0.0, 1000.0, 10.0), 365.0, times=40)
        monkeypatch.setattr("servicedesk.reports.numerics.survival.bootstrap.LARGEST_DRAWS", 12 * 8)
        assert fitted.drawn_means(np.arange(0.0, 1000.0, 10.0), 365.0, times=40) == pytest.approx(at_once)

    def test_repairs_count_two_failures_on_one_day(self) -> None:
        history = History([0, 5, 0, 0], [5, 5, 9, 8], [1, 1, 1, 0], ["a", "a", "b", "c"])
        sample = records_of_repairs(history).weighted(np.ones(3))
        assert sample.number == 3
        fit = fit_power_law([[5, 5], [9], []], [0, 0, 0], [5, 9, 8])
        assert sample.fit().shape == pytest.approx(fit.shape)

    def test_sites_without_failures_may_be_drawn_alone(self) -> None:
        history = History([0] * 4, [50, 60, 80, 90], [1, 0, 0, 0], ["a", "b", "c", "d"])
        weights = np.array([[0.0, 2.0, 1.0, 1.0]])
        shape, log_rate = records_of_repairs(history).refit_all(weights, near=1.0)
        assert (shape.tolist(), log_rate.tolist()) == ([1.0], [-math.inf])

    def test_draws_no_shape_describes_are_passed_over(self) -> None:
        # Drawn alone, either site has all its failures at its oldest age.
        history = History([0, 0], [50, 60], [1, 1], ["a", "b"])
        weights = np.array([[2.0, 0.0], [1.0, 1.0], [0.0, 2.0]])
        shape, _ = records_of_repairs(history).refit_all(weights, near=1.0)
        assert np.isnan(shape).tolist() == [True, False, True]


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
        history = History(np.concatenate(begins), np.concatenate(cuts), np.concatenate(failed), site)
        try:
            expected = fit_power_law(events, start, stop)
        except ValueError as refusal:  # failures so soon after the start that no shape describes them
            with pytest.raises(ValueError, match=re.escape(str(refusal))):
                fit_repairs(history)
            return
        fit = fit_repairs(history)
        assert fit.shape == pytest.approx(expected.shape)
        assert fit.rate == pytest.approx(expected.rate)
        assert fit.events == expected.events
        if late:
            assert (fit.low, fit.high) == pytest.approx((expected.low, expected.high))
        assert math.isnan(fit.unbiased_shape)

    def test_without_a_failure_there_is_no_fit(self) -> None:
        with pytest.raises(ValueError, match="Nothing failed"):
            fit_repairs(History([0, 0], [10, 20], [0, 0], [1, 2]))
