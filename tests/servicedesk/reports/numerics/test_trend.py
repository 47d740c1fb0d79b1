"""Power-law processes and trend tests, held against published examples, plain sums and other libraries."""

from __future__ import annotations

import math

import lifelines
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from servicedesk.reports.numerics.survival.trend import constant_rate, fit_power_law, laplace, mil_hdbk_189
from tests.servicedesk.reports.numerics import naive
from tests.servicedesk.reports.numerics.fleets import unhurried
from tests.servicedesk.reports.numerics.published import Check


class TestPublished:
    """Printed examples."""

    def test_nist_power_law(self) -> None:
        check = Check("nist_powerlaw")
        fit = fit_power_law(
            [check.input["failures"]], [0], [check.input["T"]], confidence=check.input["ci_level"]
        )
        check.holds("b_mle", fit.shape)
        check.holds("b_modified", fit.unbiased_shape)
        # NIST calls one minus the exponent its "BetaHat" and fits the scale to the modified exponent.
        check.holds("nist_beta=1-b", 1 - fit.unbiased_shape)
        check.holds("a", fit.events / check.input["T"] ** fit.unbiased_shape)
        check.holds("MTBF_at_T", check.input["T"] / fit.events / fit.unbiased_shape)

    def test_handbook_appendix(self) -> None:
        check = Check("milhdbk189_appC")
        end = check.input["T"]
        fit = fit_power_law([check.input["failures"]], [0], [end])
        check.holds("beta", fit.shape)
        check.holds("lambda", fit.rate)
        check.holds("beta_unbiased", fit.unbiased_shape)
        intensity = fit.rate * fit.shape * end ** (fit.shape - 1)
        check.holds("intensity_at_300", intensity)
        check.holds("MTBF_at_300", 1 / intensity)

    def test_crows_three_systems(self) -> None:
        check = Check("crow_three_systems")
        fit = fit_power_law(check.input["failures"], [0, 0, 0], check.input["T"])
        check.holds("N", fit.events)
        check.holds("beta", fit.shape)
        check.holds("lambda", fit.rate)

    def test_modarres_rate_of_occurrence(self) -> None:
        check = Check("modarres_rocof")
        ages = np.cumsum(check.input["times_between_failures"])
        # The watch ended with the last failure: the trend test leaves it out.
        check.holds("U", laplace([ages[:-1]], [0], [ages[-1]]).statistic)
        fit = fit_power_law([ages], [0], [ages[-1]])
        check.holds("beta", fit.shape)
        check.holds("lambda", fit.rate)


def windows(seed: int, *, systems: int = 12) -> tuple[list[list[float]], list[float], list[float]]:
    """Make systems watched over windows that begin at any age, failing faster as they age."""
    rng = np.random.default_rng(seed)
    start = rng.choice([0.0, 100.0, 250.0], systems)
    stop = start + rng.integers(100, 500, systems)
    events = []
    for first, last in zip(start, stop, strict=True):
        count = rng.poisson(2e-4 * (last**1.6 - first**1.6))
        events.append(sorted((first**1.6 + rng.random(count) * (last**1.6 - first**1.6)) ** (1 / 1.6)))
    return [[float(age) for age in ages] for ages in events], start.tolist(), stop.tolist()


class TestFitPowerLaw:
    """The fit over windows that begin at any age."""

    @pytest.mark.parametrize("seed", range(3))
    def test_nothing_near_beats_it_and_limits_are_where_the_plain_likelihood_comes_down(
        self, seed: int
    ) -> None:
        events, start, stop = windows(seed)
        fit = fit_power_law(events, start, stop)

        def plain(shape: float) -> float:
            return naive.power_law(events, start, stop, shape)

        optimum = optimize.minimize_scalar(lambda shape: -plain(shape), bounds=(0.1, 9), method="bounded")
        assert fit.shape == pytest.approx(optimum.x, rel=1e-4)
        floor = plain(fit.shape) - stats.chi2.ppf(0.95, 1) / 2
        assert plain(fit.low) == pytest.approx(floor)
        assert plain(fit.high) == pytest.approx(floor)
        expected = fit.rate * sum(b**fit.shape - a**fit.shape for a, b in zip(start, stop, strict=True))
        assert expected == pytest.approx(fit.events)
        assert math.isnan(fit.unbiased_shape)

    def test_exact_limits_from_new(self) -> None:
        check = Check("crow_three_systems")
        fit = fit_power_law(check.input["failures"], [0, 0, 0], [200, 200, 200])
        assert stats.chi2.cdf(2 * 36 * fit.low / fit.shape, 72) == pytest.approx(0.025)
        assert stats.chi2.cdf(2 * 36 * fit.high / fit.shape, 72) == pytest.approx(0.975)

    def test_first_failures_only_are_the_weibull_fit_of_lifelines(self) -> None:
        # Lives cut at their first failure have the likelihood of a power-law process watched until then.
        rng = np.random.default_rng(4)
        life = 300 * rng.weibull(1.7, 200)
        stop = np.minimum(life, 350)
        events = [[end] if end < 350 else [] for end in stop]
        fit = fit_power_law(events, np.zeros(200), stop)
        peer = lifelines.WeibullFitter().fit(stop, life < 350)
        assert fit.shape == pytest.approx(peer.rho_, rel=1e-4)
        assert fit.rate == pytest.approx(peer.lambda_**-peer.rho_, rel=1e-3)

    @unhurried
    @given(st.integers(0, 1000), st.floats(0.01, 100))
    def test_unit_order_and_cutting_windows_do_not_matter(self, seed: int, unit: float) -> None:
        events, start, stop = windows(seed)
        fit = fit_power_law(events, start, stop)
        scaled = [np.array(ages) * unit for ages in events]
        middle = [(a + b) / 2 for a, b in zip(start, stop, strict=True)]
        early = [ages[ages <= m * unit] for ages, m in zip(scaled, middle, strict=True)]
        late = [ages[ages > m * unit] for ages, m in zip(scaled, middle, strict=True)]
        cut = fit_power_law(
            late[::-1] + early,
            np.array(middle[::-1] + start) * unit,
            np.array(stop[::-1] + middle) * unit,
        )
        assert (cut.shape, cut.events) == (pytest.approx(fit.shape, rel=1e-6), fit.events)
        assert cut.rate * unit**cut.shape == pytest.approx(fit.rate, rel=1e-4)


class TestTests:
    """Tests of a constant rate."""

    def test_laplace_like_the_plain_sum(self) -> None:
        events, start, stop = windows(5)
        gaps = variance = 0.0
        for ages, first, last in zip(events, start, stop, strict=True):
            gaps += sum(age - (first + last) / 2 for age in ages)
            variance += len(ages) * (last - first) ** 2 / 12
        test = laplace(events, start, stop)
        assert test.statistic == pytest.approx(gaps / math.sqrt(variance))
        assert test.p_value == pytest.approx(math.erfc(abs(test.statistic) / math.sqrt(2)))
        assert laplace(events, start, stop, design_effect=4).statistic == pytest.approx(test.statistic / 2)

    def test_handbook_like_the_plain_sum_and_the_uniform_order(self) -> None:
        events = [[3.0, 40.0, 95.0], [], [12.0, 60.0]]
        test = mil_hdbk_189(events, [100, 80, 70])
        pairs = zip(events, [100, 80, 70], strict=True)
        plain = 2 * sum(math.log(end / age) for ages, end in pairs for age in ages)
        assert (test.statistic, test.degrees) == (pytest.approx(plain), 10)
        # Without a trend ages are uniform in the window, so this is Fisher's way to join p-values age / end.
        fisher = stats.combine_pvalues([0.03, 0.4, 0.95, 12 / 70, 60 / 70])
        assert test.statistic == pytest.approx(fisher.statistic)
        assert test.p_value == pytest.approx(2 * min(fisher.pvalue, 1 - fisher.pvalue))

    def test_likelihood_ratio_like_the_plain_one(self) -> None:
        events, start, stop = windows(6)
        fit = fit_power_law(events, start, stop)
        gain = naive.power_law(events, start, stop, fit.shape) - naive.power_law(events, start, stop, 1.0)
        test = constant_rate(events, start, stop)
        assert test.statistic == pytest.approx(2 * gain)
        assert test.p_value == pytest.approx(math.erfc(math.sqrt(gain)))
        assert test.degrees == 1

    @unhurried
    @given(st.integers(0, 1000), st.floats(0.01, 100))
    def test_units_and_order_do_not_matter(self, seed: int, unit: float) -> None:
        events, start, stop = windows(seed)
        scaled = [np.array(ages) * unit for ages in events][::-1]
        ends = np.array(start[::-1]) * unit, np.array(stop[::-1]) * unit
        assert laplace(scaled, *ends).statistic == pytest.approx(laplace(events, start, stop).statistic)
        assert constant_rate(scaled, *ends).statistic == pytest.approx(
            constant_rate(events, start, stop).statistic, rel=1e-6, abs=1e-8
        )

    def test_tests_hold_their_level_without_a_trend(self) -> None:
        # 800 fleets of four systems without a trend: five in a hundred are called one, give or take chance.
        rng = np.random.default_rng(9)
        calls = np.zeros(3)
        for _ in range(800):
            stop = np.array([100.0, 150.0, 80.0, 120.0])
            events = [rng.uniform(0, end, 1 + rng.poisson(4)) for end in stop]
            calls += [
                laplace(events, np.zeros(4), stop).p_value < 0.05,
                mil_hdbk_189(events, stop).p_value < 0.05,
                constant_rate(events, np.zeros(4), stop).p_value < 0.05,
            ]
        assert ((calls > 21) & (calls < 60)).all()


@pytest.mark.parametrize(
    ("events", "start", "stop", "words"),
    [
        ([[1.0]], [0, 0], [5, 5], "events lists 1 items, but there are 2 windows"),
        ([[], []], [0, 0], [5, 5], "events holds no failure"),
        ([[1.0], [7.0]], [0, 0], [5, 5], "events of item 1 holds age 7, outside its window"),
        ([[2.0], [7.0]], [2, 0], [5, 9], "events of item 0 holds age 2, outside its window"),
        ([[math.nan]], [0], [5], "events of item 0 holds a time that is not a number"),
        ([[1.0]], [6], [5], "stop comes before start"),
        ([[5.0], [5.0]], [0, 0], [5, 5], "at the oldest age watched"),
    ],
)
def test_bad_input_is_answered_by_a_sentence(
    events: list[list[float]], start: list[float], stop: list[float], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        fit_power_law(events, start, stop)
