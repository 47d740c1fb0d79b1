"""Lots and types that stand out, in fleets in which nothing is wrong and in fleets with one bad lot."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from math import nan
from typing import Final

import numpy as np

from servicedesk.reports.histories import Floats, Histories, Ints
from servicedesk.reports.surveillance.lots import look_at
from tests.simulations.claims import Fleet, Simulation
from units.models import ComponentType

LAST = date(2026, 11, 25)
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, kw_only=True)
class Company:
    """A company that fitted its sites evenly over the years, lot after lot of each type.

    Attributes
    ----------
    kinds, types, lots
        Kinds of part, types of each kind and lots of each type. A site has one type of each kind, all of one
        lot, as fitted on one day.
    sites
        Each has 1 to 4 units.
    years
        Over which they were fitted.
    rate
        Failures of a part a year.
    spread
        Coefficient of variation of the sites, the effect of a site being gamma and shared by all its parts.
    times
        How much more often than the others the bad lot fails (1: there is none).
    """

    kinds: int
    types: int
    lots: int
    sites: int = 260
    years: int = 13
    rate: float = 0.05
    spread: float = 1.0
    times: float = 1.0

    @property
    def charts(self) -> int:
        """How many lots and types there are to look at."""
        return self.kinds * self.types * (self.lots + 1)

    def draw(self, rng: np.random.Generator) -> list[tuple[ComponentType, Histories]]:
        """Draw a fleet as the records would give it, a history a type, grouped by lot."""
        fitted = rng.integers(1, int(self.years * DAYS_PER_YEAR), size=self.sites)
        shape = 1 / self.spread**2
        effect = rng.gamma(shape, 1 / shape, size=self.sites)
        site = np.repeat(np.arange(self.sites), rng.integers(1, 5, size=self.sites))
        lot = (fitted * self.lots // int(self.years * DAYS_PER_YEAR + 1)).astype(np.int64)
        fleet = []
        for kind in range(self.kinds):
            type_of_site = rng.integers(self.types, size=self.sites)
            for number in range(self.types):
                mine = site[type_of_site[site] == number]
                rate = self.rate * effect[mine]
                if kind == number == 0:
                    rate = np.where(lot[mine] == self.lots // 2, self.times * rate, rate)
                key = kind * self.types + number
                of_type = ComponentType(pk=key, name=f"type {key}", kind=f"kind {kind}")
                fleet.append((of_type, _histories(mine, lot[mine], fitted[mine], rate, rng=rng)))
        return fleet


def _histories(site: Ints, lot: Ints, age: Ints, rate: Floats, *, rng: np.random.Generator) -> Histories:
    """Let parts fail at constant rates from fitting until the last day."""
    groups, group = np.unique(lot, return_inverse=True)
    item = np.repeat(np.arange(site.size), rng.poisson(rate * age / DAYS_PER_YEAR))
    at = (rng.random(item.size) * age[item]).astype(np.int64) + 1
    pairs, count = np.unique(np.stack([item, at]), axis=1, return_counts=True)
    nothing = np.zeros(pairs.shape[1], dtype=np.int64)
    return Histories(
        [f"lot {each}" for each in groups],
        item=np.arange(site.size),
        group=group,
        site=site,
        fitted=LAST.toordinal() - age,
        entry=np.zeros(site.size, dtype=np.int64),
        exit=age.astype(np.int64),
        event_item=pairs[0],
        event_age=pairs[1],
        event_mode=nothing,
        event_count=count,
        event_good=nothing - 1,
    )


def _any_flag(company: Company) -> Fleet:
    """Say whether anything is flagged over all."""

    def judge(rng: np.random.Generator) -> float:
        look = look_at(company.draw(rng), today=LAST, follow=False)
        return float(any(each.flagged for each in look.charts))

    return judge


def _bad_lot(company: Company) -> Fleet:
    """Say whether the bad lot is flagged over all."""

    def judge(rng: np.random.Generator) -> float:
        charts = look_at(company.draw(rng), today=LAST, follow=False).charts
        bad = f"lot {company.lots // 2}"
        return float(any(each.flagged for each in charts if (each.component_type, each.lot) == (0, bad)))

    return judge


def _range(company: Company) -> Fleet:
    """Say whether the range of the bad lot's ratio holds the true one; NaN where none is shown."""

    def judge(rng: np.random.Generator) -> float:
        charts = look_at(company.draw(rng), today=LAST, follow=False).charts
        bad = f"lot {company.lots // 2}"
        times = next((x.times for x in charts if (x.component_type, x.lot) == (0, bad)), None)
        return nan if times is None else float(times[1] <= company.times <= times[2])

    return judge


def _raised(company: Company) -> Fleet:
    """Count the flags raised over all in a year of monthly looks, by the number the looks give for them."""

    def judge(rng: np.random.Generator) -> float:
        fleet = company.draw(rng)
        days = [LAST - timedelta(days=round(365 * month / 12)) for month in range(12, -1, -1)]
        looks = [look_at(fleet, today=day, follow=False) for day in days]
        flagged = [{(x.component_type, x.lot) for x in look.charts if x.flagged} for look in looks]
        raised = sum(len(now - before) for before, now in pairwise(flagged))
        return raised / (sum(look.false_over_all for look in looks) / len(looks))

    return judge


SOME = {"kinds": 4, "types": 3, "lots": 10}
"""132 charts."""

MANY = {"kinds": 7, "types": 1, "lots": 52}
"""371 charts: four lots a year of each type, at five sites each."""

FLAGS = "At most one in ten of the lots flagged is a false alarm (nothing wrong: any flag at a check)"
FOUND = "A lot that fails four times as often is flagged"
RANGE = "The bar is the range in which the true ratio lies with 95 % certainty"
RAISED = "About N false ones a year are to be expected (flags raised over all, by N)"

CASES: Final = [
    (132, 0.5, Company(**SOME, spread=0.5)),
    (132, 1.0, Company(**SOME, spread=1.0)),
    (371, 0.5, Company(**MANY, spread=0.5)),
    (371, 1.0, Company(**MANY, spread=1.0)),
]

SIMULATIONS = [
    *(
        Simulation(
            sentence=FLAGS,
            case=f"{charts} lots and types, 260 sites, CV {spread:g}",
            nominal=0.10,
            high=0.08,
            fleets=400,
            few=8,
            seed=20_000 + charts + round(10 * spread),
            fleet=_any_flag(company),
        )
        for charts, spread, company in CASES
    ),
    *(
        Simulation(
            sentence=RAISED,
            case=f"{charts} lots and types, a year of monthly checks, CV {spread:g}",
            nominal=1.0,
            low=0.5,
            high=1.5,
            fleets=70,
            few=2,
            seed=21_000 + charts + round(10 * spread),
            fleet=_raised(company),
        )
        for charts, spread, company in CASES
    ),
    *(
        Simulation(
            sentence=sentence,
            case=f"{words}, CV {spread:g}",
            nominal=nominal,
            low=low,
            fleets=400,
            few=8,
            seed=22_000 + number,
            fleet=judge(Company(**sizes, spread=spread, times=4.0)),
        )
        for number, (sentence, judge, words, sizes, spread, nominal, low) in enumerate(
            [
                (FOUND, _bad_lot, "10 lots of a type at 9 sites each", SOME, 0.5, None, 0.6),
                (FOUND, _bad_lot, "10 lots of a type at 9 sites each", SOME, 1.0, None, 0.2),
                (FOUND, _bad_lot, "52 lots of a type at 5 sites each", MANY, 0.5, None, 0.4),
                (FOUND, _bad_lot, "52 lots of a type at 5 sites each", MANY, 1.0, None, 0.1),
                (RANGE, _range, "10 lots of a type at 9 sites each", SOME, 1.0, 0.95, 0.90),
                (RANGE, _range, "52 lots of a type at 5 sites each", MANY, 1.0, 0.95, 0.90),
            ]
        )
    ),
]
