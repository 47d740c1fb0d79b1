"""Alarms for bad batches, held against published run lengths, plain sums and second libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from servicedesk.reports.numerics.counts.rates import rate_ratio
from servicedesk.reports.numerics.counts.site_variance import Cells
from servicedesk.reports.numerics.surveillance.flags import cusum_threshold, flag_groups, poisson_cusum
from tests.servicedesk.reports.numerics import naive
from tests.servicedesk.reports.numerics.fleets import unhurried
from tests.servicedesk.reports.numerics.published import Check

K_OF_LUCAS = 1.5


def ratio_with_allowance(allowance: float) -> float:
    """Find the rise whose allowance, per failure expected, is the one given."""
    return naive.bisect(lambda rise: (rise - 1) / math.log(rise) - allowance, 1.0001, 10)


def of_two_groups(one: list[float], other: list[float]) -> Cells:
    """Give what was to be expected of two groups at sites of their own."""
    expected = np.array(one + other)
    group = np.repeat([0, 1], [len(one), len(other)])
    return Cells(
        events=np.zeros(expected.size),
        expected=expected,
        group=group,
        site=np.arange(expected.size),
        groups=2,
    )


class TestFlagGroups:
    """Which batches fail more often than the others."""

    events, expected, sites = (12, 3, 4, 0, 2), (4.0, 4.0, 5.0, 1.0, 2.5), (5, 2, 3, 0, 1)

    def test_like_the_plain_binomial_sum_and_statsmodels(self) -> None:
        flags = flag_groups(self.events, self.expected, self.sites)
        plain = []
        for n, due in zip(self.events, self.expected, strict=True):
            others = sum(self.events) - n
            plain.append(1 - naive.binomial_tail(n + others, due / (due + others), n - 1))
        np.testing.assert_allclose(flags.p_value, plain)
        # One failure at one site and none at all are too few whatever their chance: they count as tested.
        tested = [*plain[:3], 1.0, 1.0]
        np.testing.assert_allclose(flags.q_value, multipletests(tested, method="fdr_bh")[1])
        assert flags.flagged.tolist() == [True, False, False, False, False]

    def test_is_the_upper_side_of_the_rate_ratio(self) -> None:
        # A batch of 10 unit-years against 90 of all others, whose 9 failures make one expected of it.
        flags = flag_groups([5, 9], [1.0, 45.0], [3, 3])
        assert 2 * flags.p_value[0] == pytest.approx(rate_ratio(5, 10, 9, 90).p_value)

    def test_like_scipys_binomial_test(self) -> None:
        flags = flag_groups([5, 9], [1.0, 45.0], [3, 3])
        assert flags.p_value[0] == pytest.approx(stats.binomtest(5, 14, 0.1, alternative="greater").pvalue)

    @pytest.mark.parametrize(("events", "sites"), [((2, 1, 1), (2, 1, 1)), ((9, 1, 1), (1, 1, 1))])
    def test_two_failures_or_one_site_are_no_alarm(
        self, events: tuple[int, ...], sites: tuple[int, ...]
    ) -> None:
        flags = flag_groups(events, (0.01, 9, 9), sites)
        assert flags.p_value[0] < 0.05
        assert not flags.flagged.any()

    def test_unlike_sites_weaken_the_evidence_of_a_group_at_few_of_them(self) -> None:
        cells = of_two_groups([2.0, 2.0], [0.5] * 40)
        plain = flag_groups([10, 21], [4.2, 29.0], [2, 15], cells=cells)
        unlike = flag_groups([10, 21], [4.2, 29.0], [2, 15], cells=cells, variance=1.0)
        assert plain.flagged[0]
        assert not unlike.flagged[0]
        many = of_two_groups([0.1] * 40, [0.5] * 40)
        assert flag_groups([10, 21], [4.2, 29.0], [9, 15], cells=many, variance=1.0).flagged[0]

    def test_a_group_at_one_site_cannot_be_tested(self) -> None:
        flags = flag_groups([9, 9], [1.0, 40.0], [1, 9], cells=of_two_groups([1.0], [1.0] * 9))
        assert np.isnan(flags.p_value[0])

    def test_the_same_records_give_the_same_answer(self) -> None:
        cells = of_two_groups([0.4] * 10, [0.5] * 40)
        one, other = (
            flag_groups([14, 21], [4.2, 29.0], [6, 15], cells=cells, variance=0.5) for _ in range(2)
        )
        np.testing.assert_array_equal(one.p_value, other.p_value)

    def test_what_cannot_be_tested_does_not_count(self) -> None:
        flags = flag_groups([4, 3, 2], [0.0, 2.0, 3.0], [2, 2, 2])
        assert np.isnan(flags.p_value[0])
        assert not flags.flagged[0]
        assert np.isnan(flag_groups([4, 0], [2.0, 1.0], [3, 0]).p_value[0])

    @unhurried
    @given(st.lists(st.tuples(st.integers(0, 20), st.floats(0.1, 20)), min_size=2, max_size=8))
    def test_order_does_not_matter(self, groups: list[tuple[int, float]]) -> None:
        events, expected = zip(*groups, strict=True)
        flags = flag_groups(events, expected, events)
        back = flag_groups(events[::-1], expected[::-1], events[::-1])
        np.testing.assert_allclose(flags.p_value, back.p_value[::-1])
        np.testing.assert_array_equal(flags.flagged, back.flagged[::-1])

    def test_bad_input_is_answered_by_a_sentence(self) -> None:
        with pytest.raises(ValueError, match="events has 1, expected has 2"):
            flag_groups([1], [1, 2], [1, 1])
        with pytest.raises(ValueError, match="expected holds a negative value"):
            flag_groups([1, 1], [1, -2], [1, 1])
        with pytest.raises(ValueError, match="variance needs cells"):
            flag_groups([1, 1], [1, 2], [1, 1], variance=1.0)


class TestPoissonCusum:
    """Following failures from month to month."""

    @unhurried
    @given(
        st.lists(st.tuples(st.integers(0, 6), st.floats(0, 4)), min_size=1, max_size=40), st.floats(1.1, 5)
    )
    def test_like_the_plain_recursion(self, months: list[tuple[int, float]], ratio: float) -> None:
        counts, expected = zip(*months, strict=True)
        cusum = poisson_cusum(counts, expected, ratio=ratio, threshold=3)
        current, alarm = 0.0, None
        for month, (count, due) in enumerate(months):
            current = max(0.0, current + count - due * (ratio - 1) / math.log(ratio))
            assert cusum.path[month] == pytest.approx(current, abs=1e-9)
            if alarm is None and current > 3 + 1e-9:
                alarm = month
        assert cusum.alarm_at == alarm

    @unhurried
    @given(st.lists(st.tuples(st.integers(0, 6), st.floats(0.1, 4)), min_size=1, max_size=20))
    def test_is_the_log_likelihood_ratio_of_a_doubling(self, months: list[tuple[int, float]]) -> None:
        counts, expected = zip(*months, strict=True)
        current = 0.0
        for count, due in months:
            gain = stats.poisson.logpmf(count, 2 * due) - stats.poisson.logpmf(count, due)
            current = max(0.0, current + gain)
        assert poisson_cusum(counts, expected, threshold=1).path[-1] * math.log(2) == pytest.approx(
            current, abs=1e-8
        )

    @pytest.mark.parametrize(("figure", "mean"), [("ARL0", "mu0"), ("ARL1", "mu1")])
    def test_run_length_of_lucas(self, figure: str, mean: str) -> None:
        check = Check("cusum_poisson_h4")
        exact = naive.run_length(check.input[mean], allowance=check.input["k"], threshold=check.input["h"])
        check.holds(figure, exact)
        # The alarm is raised above the threshold, not at it: simulated charts last as long as printed.
        rng = np.random.default_rng(2)
        ratio, lengths = ratio_with_allowance(K_OF_LUCAS), []
        for _ in range(1500):
            counts = rng.poisson(check.input[mean], 2500)
            alarm = poisson_cusum(counts, np.ones(2500), ratio=ratio, threshold=check.input["h"]).alarm_at
            lengths.append(2500 if alarm is None else alarm + 1)
        assert np.mean(lengths) == pytest.approx(check.value(figure), rel=4 / math.sqrt(1500))

    def test_at_the_threshold_is_no_alarm(self) -> None:
        ratio = ratio_with_allowance(K_OF_LUCAS)
        cusum = poisson_cusum([4, 3, 2], [1, 1, 1], ratio=ratio, threshold=4)
        assert cusum.path.tolist() == pytest.approx([2.5, 4.0, 4.5])
        assert cusum.alarm_at == 2

    def test_quiet_months_raise_no_alarm_and_carry_no_debt(self) -> None:
        cusum = poisson_cusum([0] * 24, [2.0] * 24)
        assert (cusum.alarm_at, cusum.path.max()) == (None, 0)
        assert cusum.threshold == cusum_threshold([2.0] * 24)

    @pytest.mark.parametrize(
        ("counts", "expected", "ratio", "words"),
        [
            ([1], [1, 2], 2, "counts has 1, expected has 2"),
            ([], [], 2, "expected is empty"),
            ([1.5], [1], 2, "counts must hold whole numbers"),
            ([1], [1], 1, "ratio must be above 1"),
            ([1], [1], 0, "ratio must be above zero"),
        ],
    )
    def test_bad_input_is_answered_by_a_sentence(
        self, counts: list[float], expected: list[float], ratio: float, words: str
    ) -> None:
        with pytest.raises(ValueError, match=words):
            poisson_cusum(counts, expected, ratio=ratio)


class TestThreshold:
    """How high to set the alarm."""

    def test_gives_about_one_false_alarm_in_ten_years(self) -> None:
        ratio = ratio_with_allowance(K_OF_LUCAS)
        threshold = cusum_threshold([1.0], ratio=ratio)
        # On this lattice of halves the exact run length jumps; the one asked for lies between its neighbors.
        shorter, longer = (
            naive.run_length(1, allowance=K_OF_LUCAS, threshold=threshold + step) for step in (-0.5, 0.5)
        )
        assert shorter < 120 < longer

    def test_more_charts_and_clustered_counts_need_more(self) -> None:
        plain = cusum_threshold([1.0, 2.0])
        assert cusum_threshold([1.0, 2.0], charts=20) > plain
        assert cusum_threshold([1.0, 2.0], design_effect=2.5) > plain
        assert cusum_threshold([1.0, 2.0], run_length=12) < plain

    def test_clustered_counts_have_the_variance_asked_for(self) -> None:
        # A chart of one step is its gap: with a design effect of 4 its upper tail reaches twice as far.
        one, four = (
            cusum_threshold([100.0], ratio=1.0001, run_length=1, charts=20, design_effect=effect)
            for effect in (1, 4)
        )
        assert four == pytest.approx(2 * one, rel=0.2)

    def test_nothing_expected_raises_the_alarm_at_the_first_failure(self) -> None:
        assert cusum_threshold([0.0], design_effect=2) == 0
        assert poisson_cusum([0, 1], [0, 0]).alarm_at == 1

    @pytest.mark.parametrize(
        ("more", "words"), [({"charts": 0}, "charts"), ({"run_length": 0}, "run_length")]
    )
    def test_bad_input_is_answered_by_a_sentence(self, more: dict[str, int], words: str) -> None:
        with pytest.raises(ValueError, match=words):
            cusum_threshold([1.0], **more)  # type: ignore[arg-type]
