"""Failure rates and their comparison, held against published tables, plain loops and a second library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from servicedesk.reports.numerics.counts.jackknife import jackknife_rate
from servicedesk.reports.numerics.counts.rates import (
    design_effect,
    event_rate,
    rate_ratio,
    stratified_rate_ratio,
)
from tests.servicedesk.reports.numerics import naive
from tests.servicedesk.reports.numerics.fleets import unhurried
from tests.servicedesk.reports.numerics.published import Check

counts = st.integers(0, 60)
spans = st.floats(0.1, 1e4)


class TestEventRate:
    """The rate of one group with Garwood's interval."""

    def test_garwood_table(self) -> None:
        check = Check("garwood_table")
        rates = [event_rate(n, 1, confidence=0.95) for n in check.input["counts"]]
        check.holds("lower", [rate.low for rate in rates])
        check.holds("upper", [rate.high for rate in rates])

    def test_nist_factors_for_the_mean_time_between_failures(self) -> None:
        check = Check("nist_mtbf_factors_90")
        rates = [event_rate(n, 1, confidence=0.9) for n in check.input["failures"]]
        check.holds("lower_factor", [rate.rate / rate.high for rate in rates])
        check.holds("upper_factor", [rate.rate / rate.low for rate in rates])

    def test_nothing_failed(self) -> None:
        check = Check("zero_events")
        assert event_rate(0, 1.0).low == 0
        check.holds("two_sided95_upper", event_rate(0, 1.0).high)
        check.holds("one_sided95_upper", event_rate(0, 1.0, confidence=0.9).high)

    def test_mean_life_of_generator_fans(self) -> None:
        check = Check("genfan_exponential")
        fans = event_rate(check.input["failures"], check.input["total_hours"])
        check.holds("mean_life", 1 / fans.rate)
        check.holds("exact95_mean_lower", 1 / fans.high)
        check.holds("exact95_mean_upper", 1 / fans.low)

    @pytest.mark.parametrize("number", [1, 4, 17])
    def test_limits_put_half_the_doubt_in_each_tail(self, number: int) -> None:
        rate = event_rate(number, 10.0, confidence=0.9)
        assert naive.poisson_tail(rate.high * 10, number) == pytest.approx(0.05, rel=1e-9)
        assert 1 - naive.poisson_tail(rate.low * 10, number - 1) == pytest.approx(0.05, rel=1e-9)

    @pytest.mark.parametrize("number", [0, 1, 3, 40])
    def test_like_statsmodels(self, number: int) -> None:
        rate = event_rate(number, 7.5)
        assert (rate.low, rate.high) == pytest.approx(
            confint_poisson(number, 7.5, method="exact-c"), rel=1e-9
        )

    @unhurried
    @given(counts, spans, st.floats(0.01, 100))
    def test_another_unit_of_time_changes_nothing_else(self, number: int, time: float, factor: float) -> None:
        rate, scaled = event_rate(number, time), event_rate(number, time * factor)
        assert scaled.rate * factor == pytest.approx(rate.rate)
        assert scaled.high * factor == pytest.approx(rate.high)
        assert rate.low <= rate.rate <= rate.high


def item_columns(seed: int, *, sites: int = 20) -> tuple[list[float], list[float], list[int], list[int]]:
    """Make items whose sites differ in frailty: failures, exposure, site, group."""
    rng = np.random.default_rng(seed)
    site = rng.integers(0, sites, 100)
    exposure = rng.uniform(0.5, 4, 100)
    events = rng.poisson(exposure * 0.8 * rng.gamma(1.0, 1.0, sites)[site])
    return events.tolist(), exposure.tolist(), site.tolist(), rng.integers(0, 2, 100).tolist()


class TestDesignEffect:
    """How much sharing sites inflates the variance."""

    @pytest.mark.parametrize("seed", range(4))
    def test_like_the_plain_loop(self, seed: int) -> None:
        events, exposure, site, group = item_columns(seed)
        alone = naive.design_effect(list(zip(events, exposure, site, [0] * 100, strict=True)))
        together = naive.design_effect(list(zip(events, exposure, site, group, strict=True)))
        assert design_effect(events, exposure, site) == pytest.approx(alone)
        assert design_effect(events, exposure, site, group=group) == pytest.approx(together)

    def test_is_pearsons_chi_square_over_its_degrees_for_equal_sites(self) -> None:
        # With equal time at risk at every site the spread is Pearson's chi-square against equal counts.
        events = [0, 1, 0, 5, 2, 9]
        pearson = stats.chisquare(events).statistic
        assert design_effect(events, [2.0] * 6, list("abcdef")) == pytest.approx(pearson / 5)

    def test_is_one_when_sites_vary_less_than_chance(self) -> None:
        assert design_effect([2, 2, 2], [1, 1, 1], [1, 2, 3]) == 1.0

    @pytest.mark.parametrize(
        ("events", "exposure", "site"), [([0, 0, 0], [1, 1, 1], [1, 2, 3]), ([4, 1], [1, 1], [1, 2])]
    )
    def test_is_unknown_without_failures_or_with_two_sites(
        self, events: list[int], exposure: list[int], site: list[int]
    ) -> None:
        assert math.isnan(design_effect(events, exposure, site))

    def test_a_site_nobody_watched_is_no_site(self) -> None:
        assert design_effect([3, 0, 1, 0], [1, 1, 1, 0], [1, 2, 3, 9]) == design_effect(
            [3, 0, 1], [1, 1, 1], [1, 2, 3]
        )


class TestRateRatio:
    """The ratio of two rates with its exact conditional interval."""

    @pytest.mark.parametrize(
        ("name", "figures"),
        [
            ("r_help_poisson", {"ratio": "ratio", "lower": "low", "upper": "high", "p_central": "p_value"}),
            ("fay_inconsistent", {"lower": "low", "upper": "high", "p_central": "p_value"}),
        ],
    )
    def test_published(self, name: str, figures: dict[str, str]) -> None:
        check = Check(name)
        (a, b), (time_a, time_b) = check.input["events"], check.input["time"]
        ratio = rate_ratio(a, time_a, b, time_b)
        for printed, field in figures.items():
            check.holds(printed, getattr(ratio, field))

    def test_central_p_agrees_with_its_interval_where_the_minimum_likelihood_p_does_not(self) -> None:
        # R's poisson.test and scipy's binomtest add up all outcomes no likelier than the one seen: 0.042
        # here, although the 95% interval holds a ratio of one (Fay 2010). Central p and interval agree.
        ratio = rate_ratio(2, 17877, 10, 20000)
        part = 17877 / 37877
        assert stats.binomtest(2, 12, part).pvalue < 0.05 < ratio.p_value
        assert ratio.low < 1 < ratio.high

    @pytest.mark.parametrize(("a", "b"), [(3, 9), (0, 4), (5, 0), (7, 7)])
    def test_p_value_like_the_binomial_sum(self, a: int, b: int) -> None:
        part = 2.5 / (2.5 + 4.0)
        as_few = naive.binomial_tail(a + b, part, a)
        as_many = 1 - naive.binomial_tail(a + b, part, a - 1)
        assert rate_ratio(a, 2.5, b, 4.0).p_value == pytest.approx(min(1, 2 * min(as_few, as_many)))

    @pytest.mark.parametrize(("a", "b"), [(3, 9), (0, 4), (5, 0), (30, 21)])
    def test_interval_like_statsmodels_for_the_binomial_share(self, a: int, b: int) -> None:
        ratio = rate_ratio(a, 3.0, b, 5.0)
        low, high = proportion_confint(a, a + b, method="beta")
        assert ratio.low == pytest.approx(low / (1 - low) * 5 / 3)
        assert ratio.high == (pytest.approx(high / (1 - high) * 5 / 3) if b else math.inf)

    def test_a_design_effect_divides_the_counts(self) -> None:
        inflated, halved = rate_ratio(8, 10, 20, 12, design_effect=2), rate_ratio(4, 10, 10, 12)
        assert (inflated.low, inflated.high, inflated.p_value) == (halved.low, halved.high, halved.p_value)
        assert inflated.ratio == rate_ratio(8, 10, 20, 12).ratio

    def test_one_or_both_without_failures(self) -> None:
        assert rate_ratio(4, 1, 0, 1).ratio == math.inf
        assert rate_ratio(0, 1, 4, 1).ratio == 0
        neither = rate_ratio(0, 1, 0, 1)
        assert math.isnan(neither.ratio)
        assert (neither.low, neither.high, neither.p_value) == (0, math.inf, 1)

    @unhurried
    @given(counts, spans, st.integers(1, 60), spans)
    def test_changing_sides_turns_the_ratio_over(self, a: int, time_a: float, b: int, time_b: float) -> None:
        there, back = rate_ratio(a, time_a, b, time_b), rate_ratio(b, time_b, a, time_a)
        assert there.p_value == pytest.approx(back.p_value, rel=1e-6)
        assert there.high * back.low == pytest.approx(1, rel=1e-6)
        assert there.low <= there.ratio <= there.high

    @unhurried
    @given(counts, spans, counts, spans)
    def test_p_value_and_interval_tell_the_same_story(
        self, a: int, time_a: float, b: int, time_b: float
    ) -> None:
        ratio = rate_ratio(a, time_a, b, time_b)
        outside = ratio.low > 1 + 1e-9 or ratio.high < 1 - 1e-9
        inside = ratio.low < 1 - 1e-9 and ratio.high > 1 + 1e-9
        assert not (outside and ratio.p_value > 0.05 + 1e-6)
        assert not (inside and ratio.p_value < 0.05 - 1e-6)


class TestStratifiedRateRatio:
    """The pooled ratio over strata of sun, color or age."""

    smokers = ([32, 104, 206, 186, 102], [52407, 43248, 28612, 12663, 5317])
    others = ([2, 12, 28, 28, 31], [18790, 10673, 5710, 2585, 1462])

    def test_like_the_plain_loop(self) -> None:
        numerator = denominator = variance = 0.0
        for a, time_a, b, time_b in zip(*self.smokers, *self.others, strict=True):
            time = time_a + time_b
            numerator += a * time_b / time
            denominator += b * time_a / time
            variance += (a + b) * time_a * time_b / time**2
        error = math.sqrt(3 * variance / (numerator * denominator))
        pooled = numerator / denominator
        ratio = stratified_rate_ratio(*self.smokers, *self.others, design_effect=3)
        reach = math.exp(1.959963984540054 * error)
        assert (ratio.ratio, ratio.low, ratio.high) == pytest.approx((pooled, pooled / reach, pooled * reach))
        assert ratio.p_value == pytest.approx(math.erfc(abs(math.log(pooled)) / error / math.sqrt(2)))

    def test_close_to_the_regression_on_the_doctors(self) -> None:
        # Mantel-Haenszel and maximum likelihood estimate the same ratio (1.4255 in the published regression).
        ratio = stratified_rate_ratio(*self.smokers, *self.others)
        assert ratio.ratio == pytest.approx(Check("doll_hill_poisson").value("irr_smoke"), rel=0.01)

    def test_like_the_odds_ratio_of_statsmodels_when_failures_are_rare(self) -> None:
        # With person-time standing for people the odds ratio tends to the rate ratio as failures become rare.
        grow = 1e6
        tables = [
            np.array([[a, time_a * grow], [b, time_b * grow]])
            for a, time_a, b, time_b in zip(*self.smokers, *self.others, strict=True)
        ]
        peer = StratifiedTable(tables)
        ratio = stratified_rate_ratio(*self.smokers, *self.others)
        assert ratio.ratio == pytest.approx(peer.oddsratio_pooled, rel=1e-5)
        # Its variance (Robins, Breslow & Greenland 1986) is another estimate of the same thing.
        assert (ratio.low, ratio.high) == pytest.approx(peer.oddsratio_pooled_confint(), rel=1e-3)

    def test_one_stratum_is_the_crude_ratio(self) -> None:
        assert stratified_rate_ratio([5], [10], [7], [9]).ratio == pytest.approx(5 / 10 * 9 / 7)

    def test_a_stratum_with_one_group_says_nothing(self) -> None:
        with_it = stratified_rate_ratio([5, 9], [10, 8], [7, 0], [9, 0])
        assert with_it == stratified_rate_ratio([5], [10], [7], [9])

    def test_splitting_an_even_stratum_changes_nothing(self) -> None:
        whole, split = (
            stratified_rate_ratio([8], [10], [6], [20]),
            stratified_rate_ratio([4, 4], [5, 5], [3, 3], [10, 10]),
        )
        assert (whole.ratio, whole.low, whole.high) == pytest.approx((split.ratio, split.low, split.high))

    @pytest.mark.parametrize("n", [1, 4, 30])
    def test_an_empty_side_in_one_stratum_is_the_exact_interval(self, n: int) -> None:
        for one, exact in [
            (stratified_rate_ratio([0], [4], [n], [10]), rate_ratio(0, 4, n, 10)),
            (stratified_rate_ratio([n], [4], [0], [10]), rate_ratio(n, 4, 0, 10)),
        ]:
            assert (one.ratio, one.low, one.high, one.p_value) == pytest.approx(
                (exact.ratio, exact.low, exact.high, exact.p_value), rel=1e-8
            )

    def test_an_empty_side_in_two_strata_by_the_chance_of_it(self) -> None:
        ratio = stratified_rate_ratio([0, 0], [4, 3], [5, 2], [10, 6])
        chance = math.prod((1 + ratio.high * odds) ** -n for odds, n in ((4 / 10, 5), (3 / 6, 2)))
        assert chance == pytest.approx(0.025)
        assert ratio.p_value == pytest.approx(2 * 1.4**-5 * 1.5**-2)

    def test_neither_side_failed(self) -> None:
        ratio = stratified_rate_ratio([0, 0], [1, 2], [0, 0], [3, 4])
        assert math.isnan(ratio.ratio)
        assert (ratio.low, ratio.high, ratio.p_value) == (0, math.inf, 1)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: event_rate(3, 0), "nothing was watched"),
        (lambda: event_rate(-1, 5), "events cannot be negative"),
        (lambda: event_rate(math.nan, 5), "events is not a finite number"),
        (lambda: event_rate(1, math.inf), "exposure is not a finite number"),
        (lambda: event_rate("many", 5), "events must be a number"),
        (lambda: event_rate(1, 5, confidence=95), "confidence must lie between 0 and 1"),
        (lambda: rate_ratio(1, 5, 1, 0), "exposure_b is zero"),
        (lambda: rate_ratio(1, 5, 1, 5, design_effect=0.5), "design_effect must be 1 or more"),
        (lambda: rate_ratio(1, 5, 1, 5, design_effect=math.nan), "borrow the fleet's"),
        (lambda: jackknife_rate([1, 0], [0, 0], [1, 2]), "event in row 0 where exposure is zero"),
        (lambda: jackknife_rate([0, 0], [0, 0], [1, 2]), "exposure is zero in every row"),
        (lambda: jackknife_rate([0, 0], [1, 1, 1], [1, 2]), "events has 2, exposure has 3"),
        (lambda: jackknife_rate([1, 1], [1, 1], [1]), "cluster has 1"),
        (lambda: design_effect([1, 1], [1, 1], [1, 2], group=["a"]), "group has 1"),
        (lambda: stratified_rate_ratio([1], [1], [1, 1], [1, 1]), "events_b has 2"),
        (lambda: stratified_rate_ratio([1], [1], [0], [0]), "share no stratum"),
    ],
)
def test_bad_input_is_answered_by_a_sentence(call: object, words: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=words):
        call()
