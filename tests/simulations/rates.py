"""Rates of types side by side: how often "clearly" is wrong, a range right, and a doubling seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from math import nan

import numpy as np

from servicedesk.reports.comparison.verdicts import Word
from servicedesk.reports.queries.cells import Cells
from servicedesk.reports.queries.exclusion_reasons import ExclusionReason
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.rates.figure import RatesFigure, rates_of
from tests.simulations.claims import Simulation

TODAY = date(2026, 1, 1)
MARKED = (Word.HIGHER, Word.LOWER)


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """A table of types of one kind, each at so many sites with so many item-years a site.

    ``cv`` is the coefficient of variation of the sites' rates, gamma distributed; of ``unlike`` sites one in
    ten is six times larger; ``mixed`` sites have all types. ``bad`` is how many times as often the first type
    fails.
    """

    types: int
    sites: int
    cv: float
    unlike: bool = False
    mixed: bool = False
    rate: float = 0.08
    years: float = 24.0
    bad: float = 1.0

    def draw(self, rng: np.random.Generator) -> RatesFigure:
        """Draw a fleet and work its rates out."""
        size = self.types * self.sites
        place = np.arange(size)
        group, site = place // self.sites, place % self.sites if self.mixed else place
        shape = self.cv**-2
        effect = rng.gamma(shape, 1 / shape, size)[site]
        years = self.years * rng.uniform(0.7, 1.3, size)
        if self.unlike:
            years = years * np.where(rng.random(size)[site] < 0.1, 6, 1)
        days = np.maximum(1, np.rint(years * DAYS_PER_YEAR)).astype(np.int64)
        times = np.where(group == 0, self.bad, 1.0)
        events = rng.poisson(self.rate * times * effect * days / DAYS_PER_YEAR)
        cells = Cells(
            groups=list(range(self.types)),
            group=group,
            site=site,
            items=np.full(size, 4),
            ageless=np.zeros(size, dtype=np.int64),
            days=days,
            events=events,
            piece_days=dict.fromkeys(range(self.types), 0),
            excluded=dict.fromkeys(ExclusionReason, 0),
            without_time=0,
            notes={},
        )
        names = [("key", f"type {number:02}") for number in range(self.types)]
        return rates_of(cells, names, selection=Selection(as_of=TODAY), by="component")


Judge = Callable[[np.random.Generator], float]


def flags_any(fleet: Fleet) -> Judge:
    """Look whether any of equal types is called clearly higher or lower; the first may be truly bad."""
    equal = slice(1 if fleet.bad != 1 else 0, None)

    def judge(rng: np.random.Generator) -> float:
        return float(any(row.verdict.word in MARKED for row in fleet.draw(rng).rows[equal]))

    return judge


def finds_the_bad(fleet: Fleet) -> Judge:
    """Look whether the type that fails more often is called so."""

    def judge(rng: np.random.Generator) -> float:
        return float(fleet.draw(rng).rows[0].verdict.word == Word.HIGHER)

    return judge


def holds(fleet: Fleet) -> Judge:
    """Look whether the printed range of the first type's rate holds the true one."""

    def judge(rng: np.random.Generator) -> float:
        judged = fleet.draw(rng).rows[0].judged
        if judged.wide_low is None or judged.wide_high is None:
            return nan
        return float(judged.wide_low <= 100 * fleet.rate <= judged.wide_high)

    return judge


def doubling_shows(fleet: Fleet) -> Judge:
    """Where equal types are told that a doubling would show, draw like records with one and look."""

    def judge(rng: np.random.Generator) -> float:
        if fleet.draw(rng).rows[0].verdict.word != Word.ALIKE:
            return nan
        return float(replace(fleet, bad=2.0).draw(rng).rows[0].verdict.word == Word.HIGHER)

    return judge


EQUAL = (
    ("12 types, 15 sites each, CV 0.5", Fleet(types=12, sites=15, cv=0.5)),
    ("12 types, 15 sites each, CV 1", Fleet(types=12, sites=15, cv=1.0)),
    ("12 types, 15 sites each, one in ten six times larger", Fleet(types=12, sites=15, cv=0.7, unlike=True)),
    ("2 types, 15 sites each, CV 1", Fleet(types=2, sites=15, cv=1.0)),
    (
        "2 types, 15 sites each, CV 1, one in ten six times larger",
        Fleet(types=2, sites=15, cv=1.0, unlike=True),
    ),
    ("6 types, 8 sites each, CV 0.7", Fleet(types=6, sites=8, cv=0.7)),
    ("24 types, 10 sites each, CV 0.7", Fleet(types=24, sites=10, cv=0.7)),
    ("12 types, 5 sites each, CV 1", Fleet(types=12, sites=5, cv=1.0)),
    ("12 types, 5 sites each, CV 0.5, few failures", Fleet(types=12, sites=5, cv=0.5, rate=0.03)),
    ("12 types at the same 15 sites, CV 1", Fleet(types=12, sites=15, cv=1.0, mixed=True)),
)
ONE_BAD = (
    ("one of 12 twice, 15 sites each, CV 0.5", Fleet(types=12, sites=15, cv=0.5, bad=2.0), 0.55),
    ("one of 12 three times, 15 sites each, CV 1", Fleet(types=12, sites=15, cv=1.0, bad=3.0), 0.7),
    (
        "one of 6 three times, 15 sites each, one in ten six times larger",
        Fleet(types=6, sites=15, cv=0.7, unlike=True, bad=3.0),
        0.75,
    ),
)
RANGES = (
    ("like sites, CV 0.5", Fleet(types=1, sites=15, cv=0.5), 0.985),
    ("like sites, CV 1", Fleet(types=1, sites=20, cv=1.0), 0.985),
    (
        "one site in ten six times larger, 20 sites, CV 0.7",
        Fleet(types=1, sites=20, cv=0.7, unlike=True),
        0.985,
    ),
    (
        "one site in ten six times larger, 40 sites, CV 1",
        Fleet(types=1, sites=40, cv=1.0, unlike=True),
        0.985,
    ),
    ("5 sites, CV 0.5", Fleet(types=1, sites=5, cv=0.5), 0.985),
    ("15 sites, about 7 failures (counts too whole)", Fleet(types=1, sites=15, cv=0.5, rate=0.02), 1.0),
)
DOUBLINGS = tuple(
    (f"{types} types, {sites} sites each, CV {cv:g}", Fleet(types=types, sites=sites, cv=cv))
    for types, sites, cv in ((2, 30, 0.5), (6, 20, 0.5), (12, 22, 0.5), (24, 22, 0.5), (2, 60, 1.0))
)


def _simulations() -> list[Simulation]:
    errors = [
        Simulation(
            sentence="a type is clearly higher or lower than the rest, anywhere in a table",
            case=f"equal types: {case}",
            nominal=0.05,
            high=0.07,
            fleets=300,
            few=3,
            seed=600 + number,
            fleet=flags_any(fleet),
        )
        for number, (case, fleet) in enumerate(EQUAL)
    ]
    beside_a_bad = [
        Simulation(
            sentence="an equal type is clearly higher or lower than the rest",
            case=f"beside a bad one: {case}",
            nominal=0.05,
            high=0.07,
            fleets=300,
            few=3,
            seed=620 + number,
            fleet=flags_any(fleet),
        )
        for number, (case, fleet, _) in enumerate(ONE_BAD)
    ]
    powers = [
        Simulation(
            sentence="a type that fails more often than the rest is found",
            case=case,
            nominal=None,
            low=low,
            fleets=300,
            few=3,
            seed=640 + number,
            fleet=finds_the_bad(fleet),
        )
        for number, (case, fleet, low) in enumerate(ONE_BAD)
    ]
    ranges = [
        Simulation(
            sentence="range of a rate",
            case=case,
            nominal=0.95,
            low=0.92,
            high=high,
            fleets=600,
            few=15,
            seed=660 + number,
            fleet=holds(fleet),
        )
        for number, (case, fleet, high) in enumerate(RANGES)
    ]
    doublings = [
        Simulation(
            sentence="twice the rest's rate would most likely show by now",
            case=case,
            nominal=0.8,
            low=0.8,
            fleets=300,
            few=3,
            seed=680 + number,
            fleet=doubling_shows(fleet),
        )
        for number, (case, fleet) in enumerate(DOUBLINGS)
    ]
    return [*errors, *beside_a_bad, *powers, *ranges, *doublings]


SIMULATIONS = _simulations()
