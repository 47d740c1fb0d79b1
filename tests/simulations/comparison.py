"""Two types of part held against each other: how often "clearly" is wrong, and how often a range is right."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from math import nan

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.comparison.figure import CompareFigure, compare, comparison_sentence
from servicedesk.reports.histories import Histories
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.rates.strata import Traits
from tests.simulations.claims import Simulation

TODAY = date(2026, 1, 1)
RATE = 0.08
"""Failures an item-year of the second type, in little sun."""
FULL_SUN = 1.5
"""How many times as often parts fail in full sun."""
ONE, OTHER = 1, 2


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """Sites of two types of part, four items each, watched for three to nine years.

    ``sites`` are those of the first and the second type; ``mixed`` sites have both (as many as the first).
    ``cv`` is the coefficient of variation of the sites' rates, gamma distributed; of ``unlike`` sites one in
    ten is six times larger. ``ratio`` is how many times as often the first type fails.
    """

    sites: tuple[int, int]
    cv: float
    mixed: bool = False
    unlike: bool = False
    rate: float = RATE
    ratio: float = 1.0

    def draw(self, rng: np.random.Generator) -> CompareFigure:
        """Draw a fleet and compare its types."""
        site, kind, effect = self._sites(rng)
        sun = rng.random(effect.size) < 0.5
        days = rng.integers(3 * 365, 9 * 365, site.size)
        times = np.where(kind == 0, self.ratio, 1.0) * np.where(sun, FULL_SUN, 1.0)[site] * effect[site]
        failures = rng.poisson(self.rate * days / 365.25 * times)
        item = np.arange(site.size)
        failed = np.repeat(item, failures)
        age = np.floor(rng.random(failed.size) * days[failed]).astype(np.int64) + 1
        key, count = np.unique(failed * 10_000 + age, return_counts=True)
        histories = Histories(
            groups=[ONE, OTHER],
            item=item,
            group=kind,
            site=site,
            fitted=TODAY.toordinal() - days,
            entry=np.zeros_like(days),
            exit=days,
            event_item=key // 10_000,
            event_age=key % 10_000,
            event_mode=np.ones_like(key),
            event_count=count,
            event_good=np.full_like(key, -1),
        )
        place = sun[site].astype(np.int64)
        traits = Traits(
            item, place, np.zeros_like(place), ["little sun", "full sun"], ["white"], ["0", "1"], ["white"]
        )
        return compare(
            histories,
            traits,
            selection=Selection(as_of=TODAY),
            one=(ONE, "plastic key"),
            other=(OTHER, "metal key"),
        )

    def _sites(
        self, rng: np.random.Generator
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
        """Give site and type of each item, and the effect of each site."""
        first, second = self.sites
        if self.mixed:
            site_of, kind_of = np.tile(np.arange(first), 2), np.repeat([0, 1], first)
        else:
            site_of, kind_of = np.arange(first + second), np.repeat([0, 1], [first, second])
        many = int(site_of.max()) + 1
        items = np.where(rng.random(many) < 0.1, 24, 4) if self.unlike else np.full(many, 4)
        shape = self.cv**-2
        effect = rng.gamma(shape, 1 / shape, many)
        times = items[site_of]
        return np.repeat(site_of, times), np.repeat(kind_of, times), effect


LIKE, FEW, VERY_UNLIKE, BIG, MIXED, MIXED_FEW = (
    ("20 v 20 sites, CV 0.5", Fleet(sites=(20, 20), cv=0.5)),
    ("5 v 50 sites, CV 0.5", Fleet(sites=(5, 50), cv=0.5)),
    ("20 v 20 sites, CV 1", Fleet(sites=(20, 20), cv=1.0)),
    ("10 v 40 sites, CV 0.7, one in ten six times larger", Fleet(sites=(10, 40), cv=0.7, unlike=True)),
    ("20 sites with both types, CV 1", Fleet(sites=(20, 20), cv=1.0, mixed=True)),
    ("8 sites with both types, CV 1", Fleet(sites=(8, 8), cv=1.0, mixed=True)),
)
FEW_UNLIKE = ("5 v 50 sites, CV 1", Fleet(sites=(5, 50), cv=1.0))
FEW_BOTH = ("5 v 5 sites, CV 0.5", Fleet(sites=(5, 5), cv=0.5))
SELDOM = (
    "20 v 20 sites, CV 0.5, about 12 failures a type",
    Fleet(sites=(20, 20), cv=0.5, rate=0.02),
)
EQUAL = (LIKE, FEW, VERY_UNLIKE, FEW_UNLIKE, FEW_BOTH, BIG, MIXED, MIXED_FEW, SELDOM)


def says_clearly(fleet: Fleet) -> Callable[[np.random.Generator], float]:
    """Look whether the page's sentence calls one of the two clearly worse; a refusal says nothing."""

    def judge(rng: np.random.Generator) -> float:
        figure = fleet.draw(rng)
        return float("clearly" in comparison_sentence(figure)) if figure.best.known else nan

    return judge


def says_clearly_or_is_refused(fleet: Fleet) -> Callable[[np.random.Generator], float]:
    """Look whether any ratio is given where there must be none."""

    def judge(rng: np.random.Generator) -> float:
        figure = fleet.draw(rng)
        return float(any(ratio.known for ratio in figure.ratios) or "clearly" in comparison_sentence(figure))

    return judge


def finds(fleet: Fleet) -> Callable[[np.random.Generator], float]:
    """Look whether the first type is called worse, as it is."""

    def judge(rng: np.random.Generator) -> float:
        return float("clearly more often" in comparison_sentence(fleet.draw(rng)))

    return judge


def holds(fleet: Fleet, way: int) -> Callable[[np.random.Generator], float]:
    """Look whether the range of one way of reckoning holds the true ratio."""

    def judge(rng: np.random.Generator) -> float:
        ratio = fleet.draw(rng).ratios[way]
        if ratio.low is None or ratio.high is None:
            return nan
        return float(ratio.low <= fleet.ratio <= ratio.high)

    return judge


def curves_differ(fleet: Fleet) -> Callable[[np.random.Generator], float]:
    """Look whether the curves are called clearly different."""

    def judge(rng: np.random.Generator) -> float:
        p_value = fleet.draw(rng).p_value
        return nan if p_value is None else float(p_value <= 0.05)

    return judge


def _errors() -> list[Simulation]:
    return [
        Simulation(
            sentence="one of two types fails clearly more or less often",
            case=f"equal types, {case}",
            nominal=0.05,
            high=0.09 if fleet.mixed else 0.07,
            fleets=600,
            few=6,
            seed=100 + number,
            fleet=says_clearly(fleet),
        )
        for number, (case, fleet) in enumerate(EQUAL)
    ]


def _refusals() -> list[Simulation]:
    return [
        Simulation(
            sentence="any ratio of two types",
            case=f"equal types, {few} v 50 sites: refused",
            nominal=0.0,
            high=0.0,
            fleets=300,
            few=4,
            seed=200 + few,
            fleet=says_clearly_or_is_refused(Fleet(sites=(few, 50), cv=0.7)),
        )
        for few in (1, 2, 3, 4)
    ]


def _ranges() -> list[Simulation]:
    ways = ("unadjusted", "adjusted for age, sun and color", "adjusted by regression")
    cases = (
        (LIKE, 0.985),
        (VERY_UNLIKE, 0.985),
        (BIG, 0.985),
        (MIXED, 0.985),
        (FEW, 1.0),
        (SELDOM, 1.0),
    )
    too_whole = {FEW: " (5 sites: too wide)", SELDOM: " (counts too whole)"}
    return [
        Simulation(
            sentence=f"range of the ratio of two types, {way}",
            case=f"{'twice as' if twice else 'as'} often, {case}{too_whole.get((case, fleet), '')}",
            nominal=0.95,
            low=0.92,
            high=high,
            fleets=400,
            few=5,
            seed=300 + 10 * number + place,
            fleet=holds(replace(fleet, ratio=2.0 if twice else 1.0), place),
        )
        for number, ((case, fleet), high) in enumerate(cases)
        for place, way in enumerate(ways)
        for twice in (number % 2 == 0,)
    ]


def _curves() -> list[Simulation]:
    return [
        Simulation(
            sentence="the curves of two types differ clearly",
            case=f"equal types, {case}",
            nominal=0.05,
            high=0.09 if fleet.mixed else 0.07,
            fleets=600,
            few=6,
            seed=400 + number,
            fleet=curves_differ(fleet),
        )
        for number, (case, fleet) in enumerate(EQUAL)
    ]


def _powers() -> list[Simulation]:
    cases = (
        ("twice as often, 20 v 20 sites, CV 0.5", Fleet(sites=(20, 20), cv=0.5, ratio=2.0), 0.7),
        ("twice as often, 10 v 50 sites, CV 0.5", Fleet(sites=(10, 50), cv=0.5, ratio=2.0), 0.5),
        ("three times as often, 5 v 50 sites, CV 0.5", Fleet(sites=(5, 50), cv=0.5, ratio=3.0), 0.5),
        (
            "half as often again, 20 sites with both types, CV 1",
            Fleet(sites=(20, 20), cv=1.0, mixed=True, ratio=1.5),
            0.4,
        ),
    )
    return [
        Simulation(
            sentence="a type that fails more often is found",
            case=case,
            nominal=None,
            low=low,
            fleets=400,
            few=5,
            seed=500 + number,
            fleet=finds(fleet),
        )
        for number, (case, fleet, low) in enumerate(cases)
    ]


SIMULATIONS = [*_errors(), *_refusals(), *_ranges(), *_curves(), *_powers()]
