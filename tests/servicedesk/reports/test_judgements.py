"""When a rate may be shown, and the words for it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from servicedesk.reports.questions.judgements import caveat, judge_rate


@pytest.mark.parametrize(
    ("events", "years", "sites", "reason"),
    [
        (3, 4.9, 9, "only 4.9 part-years were watched; a rate takes 5 or more"),
        (3, 4.99, 9, "just under 5 part-years were watched; a rate takes 5 or more"),
        (3, 0.0, 9, "only 0 part-years were watched; a rate takes 5 or more"),
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


def test_limits_that_one_site_throws_wide_open_give_no_rate() -> None:
    judged = judge_rate(9, 60.0, sites=4, wider=(0.0001, 20.0))
    assert judged.reason == "nearly all of it was watched at one site; a rate takes 3 or more"
    assert judge_rate(9, 60.0, sites=4, wider=(0.01, 2.0)).reason == ""


@pytest.mark.parametrize(("events", "years"), [(0, 80.0), (1, 12.5), (9, 60.0), (181, 1900.0)])
def test_limits_are_garwoods(events: int, years: float) -> None:
    # Garwood (1936), Fiducial limits for the Poisson distribution, by quantiles of chi-squared (scipy).
    judged = judge_rate(events, years, sites=9)
    low = chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    assert judged.rate == pytest.approx(100 * events / years)
    assert judged.low == pytest.approx(100 * low / years)
    assert judged.high == pytest.approx(100 * chi2.ppf(0.975, 2 * events + 2) / 2 / years)


counts = st.integers(0, 400)
spans = st.floats(5, 5000)


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
                "9 failures in 60 part-years is about 15 per 100 a year, "
                "but it could be anywhere from 6.9 to 28.5."
            ),
        ),
        (0, 60.0, 9, "No failure in 60 part-years: the rate may be nothing, or up to 6.1 per 100 a year."),
        (
            1,
            60.0,
            2,
            "1 failure in 60 part-years; no rate, because watched at 2 sites only; a rate takes 3 or more.",
        ),
    ],
)
def test_how_sure_a_rate_is_is_said(events: int, years: float, sites: int, sentence: str) -> None:
    assert caveat(events, years, judge_rate(events, years, sites=sites)) == sentence
