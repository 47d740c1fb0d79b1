"""Adjusted p-values, held against the published example and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from servicedesk.reports.numerics.counts.multiplicity import benjamini_hochberg, holm, widened_confidence
from tests.servicedesk.reports.numerics.fleets import unhurried
from tests.servicedesk.reports.numerics.published import Check

chances = st.lists(st.floats(0, 1), min_size=1, max_size=30)


def test_published_example() -> None:
    check = Check("bh_1995")
    p, q = check.input["p"], check.input["q"]
    check.holds("rejected_BH", (benjamini_hochberg(p) <= q).sum())
    check.holds("rejected_Holm", (holm(p) <= q).sum())
    check.holds("rejected_Bonferroni", (np.array(p) < 1 - widened_confidence(1 - q, intervals=len(p))).sum())


@pytest.mark.parametrize("seed", range(5))
def test_like_statsmodels(seed: int) -> None:
    p = np.random.default_rng(seed).beta(0.5, 2, 40).round(2)
    np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1], atol=1e-12)
    np.testing.assert_allclose(benjamini_hochberg(p), multipletests(p, method="fdr_bh")[1], atol=1e-12)


@unhurried
@given(chances)
def test_like_the_plain_definition(p: list[float]) -> None:
    m, ordered = len(p), sorted(p)
    for value, stepped, screened in zip(p, holm(p), benjamini_hochberg(p), strict=True):
        below = ordered.index(value)
        assert stepped == pytest.approx(min(1, max((m - i) * ordered[i] for i in range(below + 1))))
        first = max(i for i in range(m) if ordered[i] == value)
        assert screened == pytest.approx(min(1, *(m / (i + 1) * ordered[i] for i in range(first, m)), 1))


@unhurried
@given(chances)
def test_order_does_not_matter_and_missing_ones_do_not_count(p: list[float]) -> None:
    for adjust in (holm, benjamini_hochberg):
        plain = adjust(p)
        np.testing.assert_allclose(adjust(p[::-1]), plain[::-1])
        gaps = adjust([math.nan, *p, math.nan])
        np.testing.assert_allclose(gaps[1:-1], plain)
        assert np.isnan(gaps[[0, -1]]).all()
        assert (plain >= np.array(p) * (1 - 1e-12)).all()


def test_nothing_to_adjust() -> None:
    assert holm([]).size == 0
    assert np.isnan(benjamini_hochberg([math.nan])).all()


@pytest.mark.parametrize("p", [[0.5, 1.2], [-0.1], [[0.1, 0.2]]])
def test_bad_input_is_answered_by_a_sentence(p: list[float]) -> None:
    with pytest.raises(ValueError, match="p_values must"):
        holm(p)


def test_intervals_need_a_number() -> None:
    assert widened_confidence(0.95, intervals=5) == pytest.approx(0.99)
    with pytest.raises(ValueError, match="at least 1"):
        widened_confidence(0.95, intervals=0)
