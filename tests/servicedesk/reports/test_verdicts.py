"""Whether a group fails clearly more or less often than the rest, and the words for it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, poisson

from servicedesk.reports.comparison.verdicts import (
    Family,
    Pair,
    Side,
    Verdict,
    Word,
    judge_against_rest,
    more_years_for_a_doubling,
)
from servicedesk.reports.numerics.counts.rates import rate_ratio

ENOUGH = 20  # sites


def family(*groups: tuple[float, float], sites: Sequence[int] | int = ENOUGH) -> Family:
    """Put groups of some failures and item-years beside each other, spread evenly over sites of their own."""
    times = np.broadcast_to(sites, len(groups))
    group = np.repeat(np.arange(len(groups)), times)
    events, years = (np.array([each[column] for each in groups], dtype=float) for column in (0, 1))
    return Family(
        group=group,
        site=np.arange(group.size),
        events=(events / times)[group],
        years=(years / times)[group],
    )


def verdicts(*groups: tuple[float, float], sites: Sequence[int] | int = ENOUGH) -> list[Verdict]:
    """Judge the groups of one family."""
    return judge_against_rest([family(*groups, sites=sites)])[0]


def word(events: float, years: float, of_rest: float, rest_years: float) -> Word:
    """The verdict on one comparison alone."""
    return verdicts((events, years), (of_rest, rest_years))[0].word


def side(events: float, years: float, *, sites: int = ENOUGH) -> Side:
    return Side(events=events, years=years, sites=sites, squares=years**2 / sites)


@pytest.mark.parametrize(
    ("totals", "expected"),
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
def test_a_comparison_comes_to_a_word(totals: tuple[float, ...], expected: Word) -> None:
    assert word(*totals) == expected


def test_two_groups_are_one_comparison_and_say_the_same() -> None:
    # Exact conditional test (binomial, scipy): below 5 % as one comparison, above it as one of two.
    p_value = 2 * binom.sf(30, 130, 1 / 6)
    assert 0.025 < p_value < 0.05
    mine, theirs = verdicts((31, 200), (99, 1000))
    assert (mine.word, theirs.word) == (Word.HIGHER, Word.LOWER)


def test_sites_in_bunches_make_a_difference_less_sure() -> None:
    even = family((40, 200), (110, 1000))
    events = even.events.copy()
    events[:20], events[20:] = [8, 0, 0, 0] * 5, [22, 0, 0, 0] * 5
    bunched = Family(group=even.group, site=even.site, events=events, years=even.years)
    assert [each.word for each in judge_against_rest([even])[0]] == [Word.HIGHER, Word.LOWER]
    assert [each.word for each in judge_against_rest([bunched])[0]] == [Word.UNKNOWN, Word.UNKNOWN]


def test_the_ratio_is_that_of_counts_divided_by_what_the_sites_inflate() -> None:
    rng = np.random.default_rng(5)
    even = family((0, 500), (0, 900))
    events = rng.poisson(even.years * 0.2 * rng.gamma(2, 0.5, 40) * np.where(even.group == 0, 4, 1))
    made = Family(group=even.group, site=even.site, events=events.astype(float), years=even.years)
    assert made.variance > 0
    (mine, _) = judge_against_rest([made])[0]
    (a, ta), (b, tb) = ((events[made.group == each].sum(), made.years[made.group == each]) for each in (0, 1))
    rate = (a + b) / 1400
    # Rao and Scott (1999): a count over its variance's inflation; expected failures at equal rates.
    phi_a, phi_b = (1 + made.variance * (rate * t) @ (rate * t) / (rate * t).sum() for t in (ta, tb))
    ratio = rate_ratio(a / phi_a, 500 / phi_a, b / phi_b, 900 / phi_b)
    span = f"{ratio.low:.1f} to {ratio.high:.1f}"
    assert mine.sentence == f"clearly higher than the rest: {ratio.ratio:.1f} times its rate ({span})"


@pytest.mark.parametrize(
    ("sites", "reasons"),
    [
        ((4, 50), ["watched at 4 sites; a comparison takes 5", "the rest was watched at 4 sites;"]),
        ((50, 1), ["the rest was watched at 1 site;", "watched at 1 site; a comparison takes 5"]),
    ],
)
def test_a_group_at_too_few_sites_is_not_compared(sites: tuple[int, int], reasons: list[str]) -> None:
    for verdict, words in zip(verdicts((60, 200), (100, 1000), sites=sites), reasons, strict=True):
        assert verdict.word == Word.UNKNOWN
        assert verdict.sentence.startswith(f"cannot tell yet: {words}")


def test_sites_that_only_the_group_itself_has_are_none_of_the_rest() -> None:
    # Ten sites have the first group, four of them the second too.
    group = np.repeat([0, 1], [10, 4])
    shared = Family(
        group=group, site=np.array([*range(10), *range(4)]), events=np.ones(14), years=np.full(14, 20.0)
    )
    assert "the rest was watched at 4 sites" in judge_against_rest([shared])[0][0].sentence


def test_among_twenty_comparisons_one_has_to_stand_out_further() -> None:
    # Exact conditional test (binomial, scipy): alone this one is below 5 %, but not below 5 % / 20.
    p_value = 2 * binom.sf(24, 125, 1 / 7.5)
    assert 0.0025 < p_value < 0.05
    odd = family((25, 200), (100, 1300))
    assert judge_against_rest([odd])[0][0].word == Word.HIGHER
    alike = [family((15, 200), (100, 1300)) for _ in range(19)]
    assert judge_against_rest([*alike, odd])[-1][0].word not in (Word.HIGHER, Word.LOWER)


def test_a_bad_one_in_the_rest_makes_no_equal_look_better() -> None:
    results = verdicts((600, 1000), *[(100, 1000)] * 5)
    assert [each.word for each in results] == [Word.HIGHER, *[Word.ALIKE] * 5]
    # Against the rest with the bad one in it each equal would fail less than half as often.
    assert binom.cdf(100, 1100, 1 / 6) < 0.05 / 6


def test_those_taken_out_are_counted_in_order_of_how_clear_they_are() -> None:
    results = verdicts((900, 1000), (400, 1000), *[(100, 1000)] * 4)
    assert [each.word for each in results][:2] == [Word.HIGHER, Word.HIGHER]
    # 900 to 800 / 5, and 400 to 400 / 4.
    assert results[0].sentence.startswith("clearly higher than the rest: 5.6 times its rate")
    assert results[1].sentence.startswith("clearly higher than the rest: 4.0 times its rate")


@pytest.mark.parametrize(
    ("totals", "sentence"),
    [
        ((60, 200, 100, 1000), "clearly higher than the rest: 3.0 times its rate (2.1 to 4.2)"),
        (
            (9, 100, 0, 1000),
            "clearly higher than the rest: all the failures, at least 19.7 times the rest's rate",
        ),
        ((100, 1000, 100, 1000), "no clear difference; twice the rest's rate would most likely show by now"),
        ((0, 40, 0, 1000), "cannot tell yet: nothing has failed yet"),
        ((1, 40, 100, 1000), "cannot tell yet; about 100 more part-years would be needed to see a doubling"),
    ],
)
def test_a_verdict_is_said_in_a_sentence(totals: tuple[float, ...], sentence: str) -> None:
    mine, rest = totals[:2], totals[2:]
    assert verdicts(mine, rest)[0].sentence == sentence  # type: ignore[arg-type]


@pytest.mark.parametrize("comparisons", [1, 12])
@pytest.mark.parametrize(("rest_events", "rest_years", "variance"), [(400, 4000, 0.0), (900, 3000, 0.5)])
def test_after_the_item_years_that_are_asked_for_a_doubling_shows_more_than_four_times_in_five(
    rest_events: int, rest_years: float, variance: float, comparisons: int
) -> None:
    """Simulated: a group that fails twice as often, watched as long as we said it takes (Wald test)."""
    sites = int(rest_years / 10)
    group = side(1, 10, sites=1)
    more = more_years_for_a_doubling(
        Pair(group, side(rest_events, rest_years, sites=sites), variance), comparisons=comparisons
    )
    assert more is not None
    rate, many = rest_events / rest_years, round((10 + more) / 10)
    draws = np.random.default_rng(8)

    def counts(sites: int, due: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        shape = sites / variance if variance else 1e9
        mean = draws.gamma(shape, 1 / shape, 20_000) * sites * due
        return np.maximum(poisson.rvs(mean, random_state=draws), 0.5)

    mine, rest = counts(many, 2 * rate * 10), counts(sites, rate * 10)
    error = np.sqrt(1 / mine + 1 / rest + variance / many + variance / sites)
    wald = np.log(mine / many / (rest / sites)) / error
    shown = np.mean(wald > {1: 1.959964, 12: 2.865}[comparisons])  # normal points of .05 / 2 and .05 / 24
    assert shown == pytest.approx(0.9, abs=0.06)  # the reckoning is of first order


def test_what_can_not_be_reckoned_is_none_and_enough_is_nothing_more() -> None:
    nothing = Pair(side(0, 40), side(0, 1000), 0.0)
    assert more_years_for_a_doubling(nothing, comparisons=1) is None
    assert more_years_for_a_doubling(Pair(side(200, 5000), side(400, 10_000), 0.0), comparisons=1) == 0
    alone = more_years_for_a_doubling(Pair(side(10, 100), side(0, 50), 0.0), comparisons=1)
    assert alone is not None
    assert alone > 0


@given(st.integers(1, 300), st.floats(10, 3000), st.integers(1, 300), st.floats(10, 3000), st.floats(0, 2))
def test_more_comparisons_and_less_like_sites_take_longer(
    events: int, years: float, of_rest: int, rest_years: float, variance: float
) -> None:
    pair = Pair(side(events, years), side(of_rest, rest_years), variance)
    few, many = (more_years_for_a_doubling(pair, comparisons=each) for each in (1, 12))
    unlike = more_years_for_a_doubling(pair._replace(variance=variance + 1), comparisons=1)
    assert few is not None
    assert many is not None
    assert unlike is not None
    # Where the other begins to grow along, the item-years of this one drop by up to half.
    assert 2 * many >= few
    assert 2 * unlike >= few


counts = st.integers(0, 400)
spans = st.floats(5, 5000)


@given(counts, spans, counts, spans)
def test_one_more_failure_never_makes_a_group_look_better(
    events: int, years: float, of_rest: int, rest_years: float
) -> None:
    order = [Word.LOWER, Word.UNKNOWN, Word.HIGHER]
    words = [word(n, years, of_rest, rest_years) for n in (events, events + 1)]
    before, after = (order.index(Word.UNKNOWN if each == Word.ALIKE else each) for each in words)
    assert before <= after


@given(counts, spans, counts, spans)
def test_a_group_that_is_worse_has_a_rest_that_is_better(
    events: int, years: float, of_rest: int, rest_years: float
) -> None:
    mine, theirs = (each.word for each in verdicts((events, years), (of_rest, rest_years)))
    assert {mine, theirs} != {Word.HIGHER}
    assert {mine, theirs} != {Word.LOWER}
    assert (mine == Word.HIGHER) == (theirs == Word.LOWER)


def test_a_comparison_that_only_luck_left_out_counts_as_one_of_the_table() -> None:
    # The first would be clear alone among comparisons with five failures (exact test, binomial by scipy).
    p_value = 2 * binom.sf(6, 7, 1 / 8.5)
    results = judge_against_rest([family((7, 40), (0, 300)), *[family((2, 30), (2, 30))] * 30])
    assert results[0][0].word == Word.HIGHER
    assert p_value < 0.05 / 31
    many = judge_against_rest([family((10, 100), (22, 600)), *[family((2, 30), (2, 30))] * 30])
    assert many[0][0].word == Word.UNKNOWN
    assert judge_against_rest([family((10, 100), (22, 600))])[0][0].word == Word.HIGHER
