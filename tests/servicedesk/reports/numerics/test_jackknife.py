"""Rates and ratios with jackknife errors by site, held against leaving out the sites one by one."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from servicedesk.reports.numerics.counts.jackknife import jackknife_rate, jackknife_rate_ratio
from servicedesk.reports.numerics.counts.rates import (
    design_effect,
    event_rate,
    rate_ratio,
    stratified_rate_ratio,
)
from servicedesk.reports.numerics.counts.sites import WILDEST, between_site_variance, count_inflation
from tests.servicedesk.reports.numerics.fleets import unhurried

Columns = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]


def two_types(seed: int, *, sites: int = 24, mixed: bool = True) -> Columns:
    """Make rows of items: failures, time at risk, site, type; one type a site unless mixed."""
    rng = np.random.default_rng(seed)
    site = rng.integers(0, sites, 120)
    kind = rng.integers(0, 2, 120) if mixed else site % 2
    time = rng.uniform(0.5, 4, 120)
    return rng.poisson(0.6 * time * rng.gamma(2, 0.5, sites)[site]), time, site, kind


class TestRate:
    """The rate of one group."""

    def test_is_what_leaving_out_each_site_changes(self) -> None:
        events, time, site, _ = two_types(1)
        rate = jackknife_rate(events, time, site)
        k, n, t = np.unique(site).size, int(events.sum()), float(time.sum())
        squares = 0.0
        for each in np.unique(site):
            own, others = site == each, site != each
            # How far the site is from the rate of all others, as a share of all failures.
            squares += (
                (events[own].sum() - events[others].sum() / time[others].sum() * time[own].sum()) / n
            ) ** 2
        shares = np.array([time[site == each].sum() / t for each in np.unique(site)])
        reach = stats.t.ppf(0.975, 1 / (shares**2).sum() - 1) * math.sqrt((k - 1) / k * squares)
        assert (rate.low, rate.high) == pytest.approx((n / t / math.exp(reach), n / t * math.exp(reach)))
        assert (rate.rate, rate.clusters) == (pytest.approx(n / t), k)

    def test_like_sites_have_one_degree_of_freedom_fewer_than_there_are(self) -> None:
        events = np.array([0, 4, 9, 1, 2, 8, 0, 1])
        rate = jackknife_rate(events, [2.0] * 8, range(8))
        # With equal sites leaving one out is the plain standard error of a mean.
        error = events.std(ddof=1) / math.sqrt(8) / events.mean()
        factor = math.sqrt(7 / 8) / (7 / 8) * math.sqrt(7 / 8)  # (k - 1) / k and leverages of 1 / k
        reach = stats.t.ppf(0.975, 7) * error * factor
        assert rate.high == pytest.approx(25 / 16 * math.exp(reach))

    def test_never_narrower_than_the_exact_interval(self) -> None:
        rate, exact = jackknife_rate([5] * 40, [1.0] * 40, range(40)), event_rate(200, 40.0)
        assert (rate.low, rate.high, rate.design_effect) == (exact.low, exact.high, 1.0)

    def test_borrows_where_two_sites_or_no_failure_say_nothing(self) -> None:
        alone = jackknife_rate([4, 1], [2, 3], ["a", "b"])
        assert (alone.low, alone.high) == (event_rate(5, 5).low, event_rate(5, 5).high)
        assert math.isnan(alone.design_effect)
        borrowed = jackknife_rate([4, 1], [2, 3], ["a", "b"], fleet_design_effect=2.0)
        effective = event_rate(2.5, 2.5)
        assert (borrowed.low, borrowed.high) == pytest.approx((effective.low, effective.high))
        nothing = jackknife_rate([0, 0, 0, 0], [1, 2, 3, 4], range(4), fleet_design_effect=2.0)
        assert (nothing.low, nothing.high) == pytest.approx((0.0, 2 * event_rate(0, 10).high))

    def test_order_and_names_of_sites_do_not_matter(self) -> None:
        events, time, site, _ = two_types(5)
        there = jackknife_rate(events, time, site)
        back = jackknife_rate(events[::-1], time[::-1], [f"site {each}" for each in site[::-1]])
        assert (there.low, there.high) == pytest.approx((back.low, back.high))
        assert there.design_effect == pytest.approx(max(1.0, design_effect(events, time, site)))

    def test_a_site_that_is_nearly_all_leaves_nearly_no_degree_of_freedom(self) -> None:
        rate = jackknife_rate([40, 1, 0, 1], [100.0, 1, 1, 1], range(4))
        assert rate.high / rate.rate > 500


class TestRatio:
    """The ratio of two rates, within strata or not."""

    @pytest.mark.parametrize("mixed", [True, False])
    def test_is_what_leaving_out_each_site_changes(self, mixed: bool) -> None:
        events, time, site, kind = two_types(2, mixed=mixed)
        stratum = np.random.default_rng(3).integers(0, 3, 120)
        estimate = jackknife_rate_ratio(events, time, site, kind, stratum=stratum)

        def pooled(mask: NDArray[np.bool_]) -> float:
            sums = [
                [weights[mask & (kind == each) & (stratum == s)].sum() for s in range(3)]
                for each in (0, 1)
                for weights in (events, time)
            ]
            return math.log(stratified_rate_ratio(*sums).ratio)

        whole = pooled(np.ones(120, dtype=np.bool_))
        changes = [pooled(site != each) - whole for each in np.unique(site)]
        k = len(changes)
        error = math.sqrt((k - 1) / k * sum(change**2 for change in changes))
        sites = tuple(np.unique(site[kind == each]).size for each in (0, 1))
        reach = stats.t.ppf(0.975, min(sites) - 1) * error
        assert estimate.sites == sites
        assert math.log(estimate.ratio) == pytest.approx(whole)
        assert (math.log(estimate.low), math.log(estimate.high)) == pytest.approx(
            (whole - reach, whole + reach)
        )
        assert estimate.p_value == pytest.approx(2 * stats.t.sf(abs(whole) / error, min(sites) - 1))

    def test_without_strata_it_is_the_crude_ratio(self) -> None:
        events, time, site, kind = two_types(4)
        estimate = jackknife_rate_ratio(events, time, site, kind)
        sums = [weights[kind == each].sum() for each in (0, 1) for weights in (events, time)]
        assert estimate.ratio == pytest.approx(rate_ratio(*sums).ratio)

    def test_strata_of_one_group_say_nothing(self) -> None:
        events, time, site, kind = two_types(5)
        more = jackknife_rate_ratio(
            np.append(events, 9),
            np.append(time, 3.0),
            np.append(site, 99),
            np.append(kind, 0),
            stratum=np.append(np.zeros(120, dtype=int), 1),
        )
        assert more == jackknife_rate_ratio(events, time, site, kind)

    def test_failures_of_one_site_alone_prove_nothing(self) -> None:
        estimate = jackknife_rate_ratio([30, 0, 0, 0, 1, 2], [1] * 6, range(6), [0, 0, 0, 1, 1, 1])
        assert (estimate.low, estimate.high, estimate.p_value) == (0, math.inf, 1)

    def test_a_group_without_failures_has_the_exact_limits(self) -> None:
        estimate = jackknife_rate_ratio([0] * 5 + [2, 3, 2, 1, 2], [1.0] * 10, range(10), [0] * 5 + [1] * 5)
        exact = rate_ratio(0, 5, 10, 5)  # the sites vary less than chance, so each failure counts
        assert (estimate.ratio, estimate.low) == (0, 0)
        assert (estimate.high, estimate.p_value) == pytest.approx((exact.high, exact.p_value))
        bunched = jackknife_rate_ratio([0] * 5 + [9, 0, 1, 0, 0], [1.0] * 10, range(10), [0] * 5 + [1] * 5)
        assert bunched.high > 2 * exact.high

    @unhurried
    @given(st.integers(0, 500))
    def test_turned_round_it_is_the_other_way_round(self, seed: int) -> None:
        events, time, site, kind = two_types(seed)
        one, other = (jackknife_rate_ratio(events, time, site, each) for each in (kind, 1 - kind))
        assert one.ratio * other.ratio == pytest.approx(1)
        assert one.low * other.high == pytest.approx(1)
        assert one.sites == other.sites[::-1]

    @pytest.mark.parametrize(
        ("kind", "stratum", "words"),
        [
            ([0, 1, 2], [0, 0, 0], "0 for the first group and 1 for the second"),
            ([0, 0, 1], [0, 0, 1], "no stratum in which both"),
            ([0, 1], [0, 0, 0], "group has 2"),
        ],
    )
    def test_bad_input_is_answered_by_a_sentence(
        self, kind: Sequence[int], stratum: Sequence[int], words: str
    ) -> None:
        with pytest.raises(ValueError, match=words):
            jackknife_rate_ratio([1, 2, 3], [1, 1, 1], [1, 2, 3], kind, stratum=stratum)


class TestVarianceBetweenSites:
    """How much the rates of sites differ within groups."""

    def test_of_many_like_sites_it_is_the_moment_estimate_of_a_negative_binomial(self) -> None:
        events = np.random.default_rng(1).negative_binomial(2, 2 / (2 + 3.0), 4000).astype(float)
        # Anscombe (1950), Sampling theory of the negative binomial: mean squared over variance less mean.
        mean = events.mean()
        moments = (events.var(ddof=1) - mean) / mean**2
        variance = between_site_variance(events, np.ones(4000), np.zeros(4000, dtype=np.int64))
        assert variance == pytest.approx(moments, rel=0.01)

    @pytest.mark.parametrize("truth", [0.0, 0.25, 1.0])
    def test_groups_of_five_sites_tell_it_together(self, truth: float) -> None:
        rng = np.random.default_rng(2)
        groups, time = 4000, rng.uniform(5, 40, 20_000)
        effect = rng.gamma(1 / truth, truth, time.size) if truth else np.ones(time.size)
        rate = np.repeat(rng.uniform(0.05, 0.5, groups), 5)
        group = np.repeat(np.arange(groups), 5)
        events = rng.poisson(rate * time * effect).astype(float)
        assert between_site_variance(events, time, group) == pytest.approx(truth, rel=0.06, abs=0.01)

    def test_sites_that_differ_no_more_than_chance_have_none(self) -> None:
        assert between_site_variance(np.full(6, 3.0), np.ones(6), np.zeros(6, dtype=np.int64)) == 0

    def test_all_failures_at_one_site_of_each_group_know_no_bound(self) -> None:
        events, group = np.array([40.0, 0, 0, 30, 0, 0]), np.array([0, 0, 0, 1, 1, 1])
        assert between_site_variance(events, np.ones(6), group) == WILDEST

    def test_the_variance_of_a_count_grows_with_the_squares_of_its_sites(self) -> None:
        rng = np.random.default_rng(4)
        time = np.array([1.0, 1, 1, 6])
        counts = rng.poisson(2 * time * rng.gamma(2, 0.5, (200_000, 4))).sum(axis=1)
        factor = count_inflation(0.5, rate=2, time=9, squares=39)
        assert counts.var() / counts.mean() == pytest.approx(factor, rel=0.02)
