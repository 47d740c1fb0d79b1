"""When a rate may be shown, when two may be compared, and the words for it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, chi2, poisson

from servicedesk.reports.judgements import (
    Pair,
    Side,
    Word,
    caveat,
    judge_against_rest,
    judge_rate,
    more_years_for_a_doubling,
)

ENOUGH = 20  # sites


def pair(events: int, years: float, of_rest: int, rest_years: float, *, effect: float = 1.0) -> Pair:
    """A group and the rest at sites enough."""
    return Pair(
        group=Side(events=events, years=years, sites=ENOUGH),
        rest=Side(events=of_rest, years=rest_years, sites=ENOUGH),
        design_effect=effect,
    )


def word(*told: float, effect: float = 1.0) -> Word:
    """The verdict on one comparison alone."""
    return judge_against_rest([pair(*told, effect=effect)])[0].word  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("events", "years", "sites", "reason"),
    [
        (3, 4.9, 9, "only 4.9 item-years were watched; a rate takes 5 or more"),
        (3, 4.99, 9, "just under 5 item-years were watched; a rate takes 5 or more"),
        (3, 0.0, 9, "only 0 item-years were watched; a rate takes 5 or more"),
        (3, 500, 2, "watched at 2 sites only; a rate takes 3 or more"),
        (3, 500, 1, "watched at 1 site only; a rate takes 3 or more"),
        (0, 5.0, 3, ""),
    ],
)
def test_too_little_watched_gives_no_rate_and_the_reason(
    events: int, years: float, sites: int, reason: str
) -> None:
    judged = judge_rate(events, years, sites=sites)
    assert judged.reason == reason
    assert (judged.rate is None) == bool(reason)


@pytest.mark.parametrize(("events", "years"), [(0, 80.0), (1, 12.5), (9, 60.0), (181, 1900.0)])
def test_limits_are_garwoods(events: int, years: float) -> None:
    # Garwood (1936), Fiducial limits for the Poisson distribution, by quantiles of chi-squared (scipy).
    judged = judge_rate(events, years, sites=9)
    low = chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    assert judged.rate == pytest.approx(100 * events / years)
    assert judged.low == pytest.approx(100 * low / years)
    assert judged.high == pytest.approx(100 * chi2.ppf(0.975, 2 * events + 2) / 2 / years)


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ((60, 200, 100, 1000), Word.HIGHER),
        ((2, 300, 100, 1000), Word.LOWER),
        ((100, 1000, 100, 1000), Word.ALIKE),
        ((3, 40, 100, 1000), Word.UNKNOWN),
        ((0, 40, 0, 1000), Word.UNKNOWN),
        ((4, 10, 3, 1000), Word.UNKNOWN),  # clear by the test alone, but four failures call nothing worse
        ((5, 10, 3, 1000), Word.HIGHER),
        ((0, 4.9, 400, 1000), Word.UNKNOWN),  # too little watched to be called better
        ((9, 100, 0, 1000), Word.HIGHER),
    ],
)
def test_a_comparison_comes_to_a_word(told: tuple[float, ...], expected: Word) -> None:
    assert word(*told) == expected


def test_sites_in_bunches_make_a_difference_less_sure() -> None:
    assert word(40, 200, 110, 1000) == Word.HIGHER
    assert word(40, 200, 110, 1000, effect=6) == Word.UNKNOWN


def test_a_group_at_too_few_sites_is_not_compared() -> None:
    few = Pair(group=Side(events=60, years=200, sites=2), rest=Side(events=100, years=1000, sites=50))
    assert judge_against_rest([few])[0].word == Word.UNKNOWN


def test_among_twenty_comparisons_one_has_to_stand_out_further() -> None:
    # Exact conditional test (binomial, scipy): alone this one is below 5 %, but not below 5 % / 20.
    p_value = 2 * binom.sf(24, 125, 1 / 7.5)
    assert 0.0025 < p_value < 0.05
    odd = pair(25, 200, 100, 1300)
    assert judge_against_rest([odd])[0].word == Word.HIGHER
    alike = [pair(15, 200, 100, 1300) for _ in range(19)]
    assert judge_against_rest([*alike, odd])[-1].word == Word.ALIKE


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ((60, 200, 100, 1000), "clearly higher than the rest: 3.0 times its rate (2.1 to 4.2)"),
        (
            (9, 100, 0, 1000),
            "clearly higher than the rest: all the failures, at least 19.7 times the rest's rate",
        ),
        ((100, 1000, 100, 1000), "no clear difference; twice the rest's rate would most likely show by now"),
        ((0, 40, 0, 1000), "cannot tell yet: nothing has failed yet"),
        ((1, 40, 100, 1000), "cannot tell yet; about 57.6 more item-years would be needed to see a doubling"),
    ],
)
def test_a_verdict_is_said_in_a_sentence(told: tuple[float, ...], sentence: str) -> None:
    assert judge_against_rest([pair(*told)])[0].sentence == sentence  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("rest_events", "rest_years", "effect"), [(100, 1000, 1.0), (60, 2000, 1.0), (300, 1500, 2.0)]
)
def test_after_the_item_years_that_are_asked_for_a_doubling_shows_four_times_in_five(
    rest_events: int, rest_years: float, effect: float
) -> None:
    """Simulated: a group that fails twice as often, watched as long as we said it takes (Wald test)."""
    more = more_years_for_a_doubling(pair(0, 0, rest_events, rest_years, effect=effect))
    assert more is not None
    rate = rest_events / rest_years
    draws = np.random.default_rng(8)
    # Effective counts are Poisson with the mean divided by the design effect.
    group = poisson.rvs(2 * rate * more / effect, size=20_000, random_state=draws)
    rest = poisson.rvs(rate * rest_years / effect, size=20_000, random_state=draws)
    shown = np.maximum(group, 0.5), np.maximum(rest, 0.5)
    wald = np.log(shown[0] / more / (shown[1] / rest_years)) / np.sqrt(1 / shown[0] + 1 / shown[1])
    assert np.mean(np.abs(wald) > 1.959964) == pytest.approx(0.8, abs=0.07)  # the reckoning is of first order


def test_what_can_not_be_reckoned_is_none_and_enough_is_nothing_more() -> None:
    assert more_years_for_a_doubling(pair(0, 40, 0, 1000)) is None
    assert more_years_for_a_doubling(pair(0, 0, 0, 0)) is None
    assert more_years_for_a_doubling(pair(200, 5000, 400, 10_000)) == 0
    alone = more_years_for_a_doubling(pair(10, 100, 0, 0))
    assert alone is not None
    assert alone > 0


counts = st.integers(0, 400)
spans = st.floats(5, 5000)


@given(counts, spans, counts, spans, st.floats(1, 5))
def test_one_more_failure_never_makes_a_group_look_better(
    events: int, years: float, of_rest: int, rest_years: float, effect: float
) -> None:
    order = [Word.LOWER, Word.UNKNOWN, Word.HIGHER]
    words = [word(n, years, of_rest, rest_years, effect=effect) for n in (events, events + 1)]
    before, after = (order.index(Word.UNKNOWN if each == Word.ALIKE else each) for each in words)
    assert before <= after


@given(counts, spans, counts, spans)
def test_a_group_that_is_worse_has_a_rest_that_is_better(
    events: int, years: float, of_rest: int, rest_years: float
) -> None:
    mine, theirs = word(events, years, of_rest, rest_years), word(of_rest, rest_years, events, years)
    assert {mine, theirs} != {Word.HIGHER}
    assert {mine, theirs} != {Word.LOWER}


@given(counts, spans, st.integers(3, 99))
def test_a_rate_lies_within_its_limits(events: int, years: float, sites: int) -> None:
    judged = judge_rate(events, years, sites=sites)
    assert judged.low is not None
    assert judged.rate is not None
    assert judged.high is not None
    assert 0 <= judged.low <= judged.rate < judged.high


@pytest.mark.parametrize(
    ("events", "years", "sites", "sentence"),
    [
        (
            9,
            60.0,
            9,
            (
                "9 failures in 60 item-years is about 15 per 100 a year, "
                "but it could be anywhere from 6.9 to 28.5."
            ),
        ),
        (0, 60.0, 9, "No failure in 60 item-years: the rate may be nothing, or up to 6.1 per 100 a year."),
        (
            1,
            60.0,
            2,
            "1 failure in 60 item-years; no rate, because watched at 2 sites only; a rate takes 3 or more.",
        ),
    ],
)
def test_how_sure_a_rate_is_is_said(events: int, years: float, sites: int, sentence: str) -> None:
    assert caveat(events, years, judge_rate(events, years, sites=sites)) == sentence
