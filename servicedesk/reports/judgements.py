"""When a figure may be shown, when two may be compared, and the plain words for what they say.

The estimators compute whatever they are asked; what the records are too thin for is refused here, with the
reason that page, command and file all give. This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite, log
from typing import Final

from scipy import stats

from servicedesk.reports.lifetimes.multiplicity import benjamini_hochberg
from servicedesk.reports.lifetimes.rates import RateRatio, event_rate, rate_ratio
from servicedesk.reports.words import amount, counted

DAYS_PER_YEAR: Final = 365.25
PER: Final = 100
"""Rates are shown per so many item-years."""

# Thinner records than these say nothing; starting values, chosen so that intervals stay of use.
RATE_YEARS: Final = 5.0
RATE_SITES: Final = 3
COMPARED_EVENTS: Final = 5
POOLED_GROUPS: Final = 5
POOLED_EVENTS: Final = 10
CURVE_ITEMS: Final = 5
CURVE_SITES: Final = 3
CURVE_INTERVAL_SITES: Final = 5
LIFE_ITEMS: Final = 10
LIFE_FAILURES: Final = 5
LIFE_ROBUST_SITES: Final = 10
FIT_FAILURES: Final = 3
FIT_AGES: Final = 3
FIT_CURVE_FAILURES: Final = 10
FORECAST_FAILURES: Final = 3
STRATA_EVENTS: Final = 6
ADJUST_EVENTS: Final = 10
ADJUST_SITES: Final = 20
TEST_SITES: Final = 5
TEST_EVENTS: Final = 5
TREND_FAILURES: Final = 6
TREND_SITES: Final = 3

SURE: Final = 0.05
_DOUBLING: Final = (stats.norm.ppf(0.975) + stats.norm.ppf(0.8)) ** 2 / log(2) ** 2
"""What the sum of 1 / expected failures of two groups is to stay below (inverted), to see a doubling with a
chance of 80 % at a two-sided level of 5 %: Wald test of the logarithm of a rate ratio."""


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A rate per 100 item-years with its interval, or why there is none.

    ``low`` and ``high`` are the exact limits of a count; ``wide_low`` and ``wide_high`` allow for items
    sharing a site as well, and are what pages print.
    """

    rate: float | None = None
    low: float | None = None
    high: float | None = None
    wide_low: float | None = None
    wide_high: float | None = None
    reason: str = ""


def judge_rate(events: int, years: float, *, sites: int, wider: tuple[float, float] | None = None) -> Judged:
    """Give the failure rate of a group with its limits, unless too little was watched.

    Parameters
    ----------
    events, years, sites
        Failures, item-years watched, and the sites at which they were.
    wider
        Limits of failures an item-year that allow for shared sites; none where nothing is known of sites.

    References
    ----------
    .. [1] Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28.
    """
    if years < RATE_YEARS:
        watched = (
            f"just under {RATE_YEARS:.0f}" if amount(years) == amount(RATE_YEARS) else f"only {amount(years)}"
        )
        return Judged(reason=f"{watched} item-years were watched; a rate takes {RATE_YEARS:.0f} or more")
    if sites < RATE_SITES:
        return Judged(reason=f"watched at {counted(sites, 'site')} only; a rate takes {RATE_SITES} or more")
    rate = event_rate(events, years)
    low, high = max((rate.low, rate.high), wider or (0.0, 0.0), key=lambda limits: limits[1] - limits[0])
    return Judged(
        rate=PER * rate.rate,
        low=PER * rate.low,
        high=PER * rate.high,
        wide_low=PER * low,
        wide_high=PER * high,
    )


class Word(StrEnum):
    """What a comparison with the rest comes to."""

    HIGHER = "clearly higher"
    LOWER = "clearly lower"
    ALIKE = "no clear difference"
    UNKNOWN = "cannot tell yet"
    NONE = ""


@dataclass(frozen=True)
class Verdict:
    """How a group compares with the rest, in a word and in a sentence."""

    word: Word
    sentence: str


@dataclass(frozen=True, kw_only=True)
class Side:
    """What one group brings to a comparison: failures, item-years and sites."""

    events: int
    years: float
    sites: int


@dataclass(frozen=True, kw_only=True)
class Pair:
    """A group, the rest it is held against, and how much shared sites inflate the variance."""

    group: Side
    rest: Side
    design_effect: float = 1.0


ALONE: Final = Verdict(Word.NONE, "the only one of its kind")
UNRECORDED: Final = Verdict(Word.NONE, "not compared: it could be any of the others")


def judge_against_rest(pairs: Sequence[Pair]) -> list[Verdict]:
    """Say of each group whether it fails more or less often than the rest.

    Notes
    -----
    Exact conditional test on effective counts (failures divided by the design effect); the p-values of all
    comparisons together go through Benjamini and Hochberg's procedure, because among twenty comparisons of
    equals one would stand out by chance. A comparison rests on at least five failures, found or expected at
    the rest's rate: a few failures in a short time call nothing worse, and none where twenty were to be
    expected may be called better.
    """
    ratios = [_ratio(pair) for pair in pairs]
    q_values = benjamini_hochberg([ratio.p_value if ratio else float("nan") for ratio in ratios])
    return [
        _verdict(pair, ratio, sure=bool(q <= SURE))
        for pair, ratio, q in zip(pairs, ratios, q_values, strict=True)
    ]


def _ratio(pair: Pair) -> RateRatio | None:
    """Compare the two rates, or not where no outcome could have shown a difference."""
    group, rest, effect = pair.group, pair.rest, pair.design_effect
    if min(group.sites, rest.sites) < RATE_SITES or min(group.years, rest.years) < RATE_YEARS:
        return None
    expected = rest.events / rest.years * group.years
    if max(group.events, expected) < COMPARED_EVENTS:
        return None
    share, total = group.years / (group.years + rest.years), (group.events + rest.events) / effect
    if 2 * min(share**total, (1 - share) ** total) > SURE:
        return None
    return rate_ratio(group.events, group.years, rest.events, rest.years, design_effect=effect)


def _verdict(pair: Pair, ratio: RateRatio | None, *, sure: bool) -> Verdict:
    if ratio is not None and sure:
        times = _times(ratio)
        if ratio.ratio > 1:
            return Verdict(Word.HIGHER, f"{Word.HIGHER} than the rest: {times}")
        return Verdict(Word.LOWER, f"{Word.LOWER} than the rest: {times}")
    more = more_years_for_a_doubling(pair)
    if more is None:
        return Verdict(Word.UNKNOWN, f"{Word.UNKNOWN}: nothing has failed yet")
    if more == 0 and ratio is not None:
        return Verdict(Word.ALIKE, f"{Word.ALIKE}; twice the rest's rate would most likely show by now")
    needed = f"about {amount(max(more, 1))} more item-years would be needed to see a doubling"
    return Verdict(Word.UNKNOWN, f"{Word.UNKNOWN}; {needed}")


def _times(ratio: RateRatio) -> str:
    if not isfinite(ratio.ratio):
        return f"all the failures, at least {amount(ratio.low)} times the rest's rate"
    return f"{amount(ratio.ratio)} times its rate ({amount(ratio.low)} to {amount(ratio.high)})"


def more_years_for_a_doubling(pair: Pair) -> float | None:
    """Say how many more item-years it takes to see that a group fails twice as often as the rest.

    Returns
    -------
    float or None
        Zero where enough were watched, None where nothing failed in either.

    Notes
    -----
    Chance of 80 %, two-sided level 5 %. The rest's rate is taken as known from what it showed. Where the rest
    is too small itself, both are taken to grow to equal size: about 25 expected failures in the rest.
    """
    group, rest, effect = pair.group, pair.rest, pair.design_effect
    years = group.years + rest.years
    events = rest.events or group.events
    exposure = rest.years if rest.events else years
    if events == 0 or exposure == 0:
        return None
    rate = events / exposure
    room = 1 / (_DOUBLING * effect) - (1 / (rate * rest.years) if rest.years else float("inf"))
    needed = 1 / (2 * rate * room) if room > 0 else 1.5 * _DOUBLING * effect / rate
    return max(0.0, needed - group.years)


def caveat(events: int, years: float, judged: Judged) -> str:
    """Say in one sentence how sure a rate is."""
    if judged.rate is None or judged.wide_low is None or judged.wide_high is None:
        return (
            f"{counted(events, 'failure')} in {amount(years)} item-years; no rate, because {judged.reason}."
        )
    if events == 0:
        return (
            f"No failure in {amount(years)} item-years: the rate may be nothing, or up to "
            f"{amount(judged.wide_high)} per {PER} a year."
        )
    span = f"{amount(judged.wide_low)} to {amount(judged.wide_high)}"
    return (
        f"{counted(events, 'failure')} in {amount(years)} item-years is about {amount(judged.rate)} per "
        f"{PER} a year, but it could be anywhere from {span}."
    )
