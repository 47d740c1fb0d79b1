"""Verdicts on whether a group's failure rate differs from that of the rest of its kind.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from math import isfinite, log
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from servicedesk.core.values.words import counted
from servicedesk.reports.numerics.counts.exact import split_p_values
from servicedesk.reports.numerics.counts.multiplicity import holm
from servicedesk.reports.numerics.counts.rates import RateRatio, rate_ratio
from servicedesk.reports.numerics.counts.sites import between_site_variance
from servicedesk.reports.questions.judgements import COMPARED_EVENTS, COMPARED_SITES, RATE_YEARS, SURE
from servicedesk.reports.words import amount

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

RECKONED: Final = 0.9
"""Power of the sample-size formula for a doubling, where the page says "four times in five": the rest's rate
and the site variance are estimated from the same records, and the exact test needs a little more than the
formula."""


class Word(StrEnum):
    """Outcome of a comparison with the rest."""

    HIGHER = "clearly higher"
    LOWER = "clearly lower"
    ALIKE = "no clear difference"
    UNKNOWN = "cannot tell yet"
    NONE = ""


@dataclass(frozen=True)
class Verdict:
    """Outcome of a comparison with the rest, as a word and as a sentence."""

    word: Word
    sentence: str


ALONE: Final = Verdict(Word.NONE, "the only one of its kind")
UNRECORDED: Final = Verdict(Word.NONE, "not compared: it could be any of the others")


class Side(NamedTuple):
    """Counts of one side of a comparison: a group, or the rest.

    ``squares`` is the sum of the squares of the sites' item-years.
    """

    events: float
    years: float
    sites: int
    squares: float


class Pair(NamedTuple):
    """A group, the rest it is compared with, and the variance of the sites' rates, in units of their mean."""

    group: Side
    rest: Side
    variance: float


@dataclass(frozen=True, eq=False)
class Family:
    """Groups of one kind, which are compared with each other.

    Attributes
    ----------
    group, site : ndarray
        One row a group and site with time at risk; groups count from zero and each has a row.
    events, years : ndarray
        Failures and item-years of each row.
    """

    group: Ints
    site: Ints
    events: Floats
    years: Floats

    @cached_property
    def size(self) -> int:
        """Number of groups."""
        return int(self.group.max()) + 1

    @cached_property
    def variance(self) -> float:
        """Moment estimate of the between-site variance, from all groups together."""
        return between_site_variance(self.events, self.years, self.group)

    @cached_property
    def sums(self) -> tuple[Floats, Floats, Floats, Ints]:
        """Failures, item-years, squares of item-years, and number of sites of each group."""
        events, years, squares = (
            np.bincount(self.group, weights=each).astype(np.float64)
            for each in (self.events, self.years, self.years**2)
        )
        return events, years, squares, np.bincount(self.group).astype(np.int64)

    @cached_property
    def _place(self) -> Ints:
        return np.unique(self.site, return_inverse=True)[1]

    def against_the_rest(self, left: Flags) -> Compared:
        """Test every group against all others that are left, by exact tests on effective counts."""
        events, years, squares, sites = self.sums
        others = [np.where(left, each[left].sum() - each, each[left].sum()) for each in self.sums[:3]]
        rest_sites = self._sites_of_others(left)
        with np.errstate(divide="ignore", invalid="ignore"):
            # Common rate under the null hypothesis, for the variance inflation of either count by the sites.
            rate = (events + others[0]) / (years + others[1])
            inflation = 1 + self.variance * rate * squares / years
            rest_inflation = 1 + self.variance * rate * others[2] / others[1]
            a, b = events / inflation, others[0] / rest_inflation
            share = years / inflation / (years / inflation + others[1] / rest_inflation)
            expected = others[0] / others[1] * years
            lopsided = 2 * np.minimum(share ** (a + b), (1 - share) ** (a + b))
        watched = (
            left
            & (np.minimum(sites, rest_sites) >= COMPARED_SITES)
            & (np.minimum(years, others[1]) >= RATE_YEARS)
        )
        # Where no outcome could have shown a difference there is nothing to compare.
        made = watched & (np.maximum(events, expected) >= COMPARED_EVENTS) & (lopsided <= SURE)
        # A group with too few failures is still one of the comparisons: how many it had is chance.
        p_value = np.where(watched, 1.0, np.nan)
        p_value[made] = split_p_values(a[made], b[made], part=share[made])
        return Compared(self, others, rest_sites, p_value, made)

    def _sites_of_others(self, left: Flags) -> Ints:
        """Number of sites of the others that are left, for each group."""
        rows = left[self.group]
        times = np.bincount(self._place[rows], minlength=self._place.size)
        lone = np.bincount(self.group[rows & (times[self._place] == 1)], minlength=self.size)
        return np.asarray((times > 0).sum() - lone)


@dataclass(frozen=True, eq=False)
class Compared:
    """Groups of a family compared with the rest, with the p-values of equal rates.

    They are NaN with too little time at risk; ``made`` marks groups with enough failures to compare.
    """

    family: Family
    others: list[Floats]
    rest_sites: Ints
    p_value: Floats
    made: Flags

    def pair(self, place: int) -> Pair:
        """One group and the rest it was compared with."""
        events, years, squares, sites = (each[place] for each in self.family.sums)
        rest_events, rest_years, rest_squares = (float(each[place]) for each in self.others)
        return Pair(
            Side(float(events), float(years), int(sites), float(squares)),
            Side(rest_events, rest_years, int(self.rest_sites[place]), rest_squares),
            self.family.variance,
        )


def judge_against_rest(families: Sequence[Family]) -> list[list[Verdict]]:
    """Verdicts on each group of each family against the rest, by exact tests with Holm's procedure.

    Notes
    -----
    Exact conditional test on effective counts: sites that differ inflate the variance of a count by
    ``1 + variance * sum(e**2) / sum(e)``, ``e`` being the failures expected at each site. The p-values of all
    comparisons of the table go through Holm's procedure, one group at a time: the clearest is reported, taken
    out of the rest of its kind, and the others are compared again, because one bad type in the rest makes its
    equals look better than they are. Two that are left of a kind are one comparison. A comparison needs at
    least five failures, observed or expected at the rest's rate: a few failures in a short time make nothing
    worse, and none where twenty were expected may count as better.

    References
    ----------
    .. [1] Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of
       Statistics 6.
    .. [2] Rao, J. N. K. and Scott, A. J. (1999). A simple method for analysing overdispersion in clustered
       Poisson data. Statistics in Medicine 18.
    """
    left = [np.ones(each.size, dtype=np.bool_) for each in families]
    compared = [each.against_the_rest(mine) for each, mine in zip(families, left, strict=True)]
    comparisons = max(1, sum(_made(*each) for each in zip(compared, left, strict=True)))
    verdicts: list[dict[int, Verdict]] = [{} for _ in families]
    while (clearest := _clearest(compared, left)) is not None:
        number, place = clearest
        mine = left[number]
        places = np.flatnonzero(mine) if mine.sum() == 2 else [place]
        for each in places:
            verdicts[number][int(each)] = _clear(compared[number].pair(int(each)))
        mine[places] = False
        if mine.any():
            compared[number] = families[number].against_the_rest(mine)
    return [
        [
            verdicts[number].get(place)
            or _unclear(each.pair(place), made=bool(each.made[place]), comparisons=comparisons)
            for place in range(each.family.size)
        ]
        for number, each in enumerate(compared)
    ]


def _each_once(compared: Compared, left: Flags) -> Floats:
    """P-values of the groups left; of the last two only one, as both are the same comparison."""
    p_value = compared.p_value.copy()
    p_value[~left] = np.nan
    if left.sum() == 2:
        p_value[np.flatnonzero(left)[1]] = np.nan
    return p_value


def _made(compared: Compared, left: Flags) -> int:
    return int((~np.isnan(_each_once(compared, left))).sum())


def _clearest(compared: Sequence[Compared], left: Sequence[Flags]) -> tuple[int, int] | None:
    """Family and index of the clearest difference, None where none is significant by Holm's procedure."""
    p_values = [_each_once(*each) for each in zip(compared, left, strict=True)]
    together = np.concatenate([*p_values, np.zeros(0)])
    if np.isnan(together).all() or not np.nanmin(holm(together)) <= SURE:
        return None
    number = int(np.nanargmin([np.nan if np.isnan(p).all() else np.nanmin(p) for p in p_values]))
    return number, int(np.nanargmin(p_values[number]))


def _clear(pair: Pair) -> Verdict:
    group, rest, variance = pair
    rate = (group.events + rest.events) / (group.years + rest.years)
    mine, theirs = (1 + variance * rate * side.squares / side.years for side in (group, rest))
    ratio = rate_ratio(group.events / mine, group.years / mine, rest.events / theirs, rest.years / theirs)
    word = Word.HIGHER if ratio.ratio > 1 else Word.LOWER
    return Verdict(word, f"{word} than the rest: {_times(ratio)}")


def _unclear(pair: Pair, *, made: bool, comparisons: int) -> Verdict:
    group, rest, _ = pair
    for who, side in (("", group), ("the rest was ", rest)):
        if side.sites < COMPARED_SITES:
            few = f"{who}watched at {counted(side.sites, 'site')}; a comparison takes {COMPARED_SITES}"
            return Verdict(Word.UNKNOWN, f"{Word.UNKNOWN}: {few}")
    more = more_years_for_a_doubling(pair, comparisons=comparisons)
    if more is None:
        return Verdict(Word.UNKNOWN, f"{Word.UNKNOWN}: nothing has failed yet")
    if more == 0 and made:
        return Verdict(Word.ALIKE, f"{Word.ALIKE}; twice the rest's rate would most likely show by now")
    needed = f"about {amount(max(more, 1))} more part-years would be needed to see a doubling"
    return Verdict(Word.UNKNOWN, f"{Word.UNKNOWN}; {needed}")


def _times(ratio: RateRatio) -> str:
    if not isfinite(ratio.ratio):
        return f"all the failures, at least {amount(ratio.low)} times the rest's rate"
    return f"{amount(ratio.ratio)} times its rate ({amount(ratio.low)} to {amount(ratio.high)})"


def more_years_for_a_doubling(pair: Pair, *, comparisons: int) -> float | None:
    """Further item-years needed to detect that a group fails twice as often as the rest.

    Parameters
    ----------
    pair
        The group and the rest.
    comparisons
        Comparisons in the table: each gets an equal share of the error probability of one in twenty.

    Returns
    -------
    float or None
        Zero where there is enough time at risk, None where nothing failed in either.

    Notes
    -----
    Wald test of the logarithm of a rate ratio, whose variance is that of the counts and that of the sites.
    The rest's rate is taken as estimated; the group is taken to grow by sites like its own. Where the rest
    alone takes more than half of the variance allowed, both are taken to grow alike.
    """
    group, rest, variance = pair
    events, exposure = (rest.events, rest.years) if rest.events else (group.events, group.years + rest.years)
    if events == 0 or exposure == 0:
        return None
    rate = events / exposure
    reach = special.ndtri(1 - SURE / (2 * comparisons)) + special.ndtri(RECKONED)
    room = float((log(2) / reach) ** 2)
    own = 1 / (2 * rate * group.years) + variance * group.squares / group.years**2
    theirs = 1 / (rate * rest.years) + variance * rest.squares / rest.years**2
    growth = own / (room - theirs) if theirs <= room / 2 else (own + theirs) / room
    return max(0.0, growth - 1) * group.years
