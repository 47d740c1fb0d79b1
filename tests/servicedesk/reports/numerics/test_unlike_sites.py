"""Lots at unlike sites: variance by moments, chances by drawing, limits, and flags raised on nothing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from servicedesk.reports.numerics.counts.rates import rate_ratio
from servicedesk.reports.numerics.counts.site_variance import Cells, pooled_variance, site_moments
from servicedesk.reports.numerics.counts.unlike_sites import (
    MOST_SITES,
    chance_while_waiting,
    draw_ratios,
    drawn_chance,
    ratio_limits,
)
from servicedesk.reports.numerics.surveillance.false_raises import raises_over_all


def cells(expected: list[list[float]]) -> Cells:
    """Give what was to be expected of each group (a row) at each site (a column), where it was watched."""
    table = np.array(expected)
    group, site = np.nonzero(table)
    return Cells(
        events=np.zeros(group.size),
        expected=table[group, site],
        group=group,
        site=site,
        groups=len(expected),
    )


def apart(one: list[float], other: list[float]) -> Cells:
    """Give two groups at sites of their own."""
    return cells([one + [0.0] * len(other), [0.0] * len(one) + other])


@pytest.mark.parametrize("variance", [0.0, 0.25, 1.0])
def test_the_variance_by_moments_is_right_on_average(variance: float) -> None:
    rng = np.random.default_rng(7)
    due = rng.gamma(2.0, 0.6, size=40)
    moments = []
    for _ in range(3000):
        effect = rng.gamma(1 / variance, variance, size=40) if variance else np.ones(40)
        moments.append(site_moments(rng.poisson(due * effect).astype(float), due))
    above = np.array([each.above_chance for each in moments])
    weight = np.mean([each.weight for each in moments])
    assert above.mean() / weight == pytest.approx(variance, abs=4 * above.std() / weight / 3000**0.5 + 0.02)


def test_one_variance_of_several_comparisons_weighs_each_by_what_it_says() -> None:
    one = site_moments(np.array([9.0, 0, 0, 3]), np.ones(4))
    other = site_moments(np.array([1.0, 2, 2, 1]), np.ones(4))
    pooled = pooled_variance([one, other])
    assert pooled == pytest.approx((one.above_chance + other.above_chance) / (one.weight + other.weight))
    assert other.variance == 0
    assert pooled_variance([]) == 0
    nothing = site_moments(np.zeros(3), np.ones(3))
    assert nothing.variance == 0


def test_the_variance_a_group_feels_is_that_of_plain_loops() -> None:
    table = np.array([[1.0, 0.5, 0, 0], [0, 0.5, 2, 0], [0.2, 0, 0, 1]])
    felt = cells(table.tolist()).felt()
    for place in range(3):
        own, others = table[place], np.delete(table, place, axis=0).sum(axis=0)
        plain = sum((a / own.sum() - b / others.sum()) ** 2 for a, b in zip(own, others, strict=True))
        assert felt[place] == pytest.approx(plain)


def test_sites_that_all_groups_share_alike_put_nothing_in() -> None:
    shared = cells([[1.0, 2.0, 3.0], [2.0, 4.0, 6.0]])
    assert shared.felt() == pytest.approx([0, 0], abs=1e-12)
    assert draw_ratios(shared, 0, variance=1.0) == pytest.approx(1.0)


def test_with_like_sites_the_chance_is_the_binomial_one() -> None:
    # Przyborowski and Wilenski (1940), the tail by scipy.
    chances = chance_while_waiting(np.array([5.0]), np.array([20.0]), due=np.array([2.0]), variance=0.0)
    assert chances[0] == pytest.approx(stats.binom.sf(4, 25, 2 / 22))


@pytest.mark.parametrize(
    "own", [[0.5] * 4, [1.0, 0.2, 0.1], [0.2] * 12, [0.1] * (MOST_SITES + 10)], ids=["4", "3", "12", "74"]
)
def test_the_drawn_chance_is_that_of_drawn_counts(own: list[float]) -> None:
    """Against failures drawn one fleet after another: how often the exact chance comes out as small."""
    rng = np.random.default_rng(11)
    variance, other = 0.5, [0.6] * 60
    groups = apart(own, other)
    ratios = draw_ratios(groups, 0, variance=variance)
    effects = rng.gamma(1 / variance, variance, size=(200_000, len(own)))
    number = rng.poisson(effects @ np.array(own))
    # The others as many as they are on average, so that the count alone decides.
    due, others = sum(own), 60 * 0.6
    for count in np.quantile(number, [0.9, 0.99]).astype(int) + 1:
        chance = drawn_chance(float(count), others * 1000, due=due, ratios=ratios)
        share = (number >= count).mean()
        # The drawn others add their own sites to the luck: a little more chance, never less.
        assert share * 0.93 < chance < share * 1.6 + 0.002


def test_the_near_chance_is_near_the_drawn_one() -> None:
    groups = apart([0.5] * 4, [0.6] * 60)
    ratios = draw_ratios(groups, 0, variance=0.5)
    for count in (4.0, 6.0, 8.0):
        near = chance_while_waiting(
            np.array([count]), np.array([36.0]), due=np.array([2.0]), variance=0.5 * groups.felt()[:1]
        )[0]
        assert near == pytest.approx(drawn_chance(count, 36.0, due=2.0, ratios=ratios), rel=0.25)


def test_with_like_sites_the_limits_are_those_of_the_rate_ratio() -> None:
    low, high = ratio_limits(
        np.array([5.0, 0.0]), np.array([20.0, 20.0]), due=np.array([2.0, 2.0]), variance=0.0, confidence=0.95
    )
    exact = rate_ratio(5, 10, 20, 100)
    assert (low[0], high[0]) == pytest.approx((exact.low, exact.high))
    none = rate_ratio(0, 10, 20, 100)
    assert (low[1], high[1]) == pytest.approx((none.low, none.high))


def test_unlike_sites_widen_the_limits() -> None:
    columns = {"due": np.array([2.0]), "confidence": 0.95}
    like = ratio_limits(np.array([5.0]), np.array([20.0]), variance=0.0, **columns)
    unlike = ratio_limits(np.array([5.0]), np.array([20.0]), variance=0.5, **columns)
    assert unlike[0] < like[0]
    assert unlike[1] > like[1]


def test_flags_raised_on_nothing_come_at_the_rate_of_the_last_failure_needed() -> None:
    """Of a Poisson count it is the chance of standing one short, times the failures a year."""
    two_sites = apart([1.0, 1.0], [1.0] * 100_000)
    a_year = np.array([0.6, 0.0])
    # 0.001: eight failures or more of two have the chance 0.0011, nine or more 0.00024 (scipy).
    assert stats.poisson.sf(7, 2.0) > 0.001 > stats.poisson.sf(8, 2.0)
    rate = raises_over_all(two_sites, a_year, variance=0.0, chance=0.001)
    assert rate == pytest.approx(stats.poisson.pmf(8, 2.0) * 0.6 * (1 - 2 * 0.5**9), rel=0.01)


def test_unlike_sites_raise_flags_too() -> None:
    """Against counts drawn year by year: how often a year takes a group over what it needs."""
    rng = np.random.default_rng(3)
    own, variance, chance = np.array([0.5, 0.5, 0.5]), 1.0, 0.01
    rate = raises_over_all(
        apart(own.tolist(), [1.0] * 20_000), np.array([0.1, 0.0]), variance=variance, chance=chance
    )
    effects = rng.gamma(1 / variance, variance, size=(400_000, 3))
    until, after = rng.poisson(effects * own), rng.poisson(effects * 0.1 / 3)
    counts = np.bincount(until.sum(axis=1)) / 400_000
    needed = next(each for each in range(3, 40) if counts[each:].sum() <= chance)
    before, now = until.sum(axis=1) >= needed, (until + after).sum(axis=1) >= needed
    places = ((until + after) > 0).sum(axis=1) >= 2
    assert rate == pytest.approx((~before & now & places).mean(), rel=0.25)


def test_where_nothing_can_be_tested_nothing_is_raised() -> None:
    alone = apart([1.0], [1.0] * 5)
    assert raises_over_all(alone, np.array([1.0, 0.0]), variance=0.5, chance=0.05) == pytest.approx(0.0)
