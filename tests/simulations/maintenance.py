"""What the page of care claims, tried on fleets whose failures are known to depend on care, or not to.

A site's units are cared for on one visit. A company of ten people has some 30 such sites; failures swing over
the year, and sites are unlike each other (gamma, CV 1). Numbers of sites and swings are our choice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from math import nan

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.histories import FirstFailures, Histories, Window
from servicedesk.reports.maintenance.interval import Costs, Interval, best_interval, inspection_interval
from servicedesk.reports.maintenance.reading import SinceMaintenance, read_since_maintenance, visits_on
from servicedesk.reports.maintenance.replacing import best_age
from servicedesk.reports.maintenance.since_maintenance import MONTH, MaintenanceRows, clock_from_maintenance
from tests.simulations.claims import Simulation

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Rng = np.random.Generator
Calendar = Callable[[Rng, int], Ints]

FIRST = date(2016, 1, 1).toordinal()
"""The day before the first that is watched; day 1 is January 2."""

YEAR = 365.25
WINDOW = Window(0, FIRST + 100_000)


@dataclass(frozen=True, kw_only=True)
class Case:
    """Fleets of one kind.

    ``rate`` is of failures a unit and year, without the swing; ``shape`` is that of failures with the time
    since care, ``later`` how many times as many come from six months after care on. ``repaired`` is the share
    of failures whose repair, up to two weeks later, comes with care.
    """

    calendar: Calendar
    sites: int = 30
    units: int = 4
    years: int = 8
    rate: float = 0.3
    variation: float = 1.0
    swing: float = 0.0
    shape: float = 1.0
    later: float = 1.0
    repaired: float = 0.0

    @property
    def days(self) -> int:
        """How many days are watched."""
        return int(self.years * YEAR)


def each_april(rng: Rng, days: int) -> Ints:
    """Care in April, on the same day each year."""
    return _yearly(days, 90 + rng.integers(0, 30))


def each_spring(rng: Rng, days: int) -> Ints:
    """Care in a season of two months, in about the same week each year, with one round in fourteen missed."""
    on = _yearly(days, 81 + rng.integers(0, 52))
    return (on + rng.integers(-6, 10, on.size))[rng.random(on.size) > 0.07]


def at_random(rng: Rng, days: int) -> Ints:
    """Care six to eighteen months after the last."""
    gaps = rng.integers(180, 540, days // 180)
    return np.cumsum(np.append(rng.integers(1, 540), gaps))


def on_its_own(rng: Rng, days: int) -> Ints:
    """Care a year after the last, give or take weeks, with one in ten left out, in any month."""
    gaps = rng.integers(345, 425, days // 345) + 365 * (rng.random(days // 345) < 0.1)
    return np.cumsum(np.append(rng.integers(1, 365), gaps))


def _yearly(days: int, first: int) -> Ints:
    return (first + YEAR * np.arange(days // 365)).astype(np.int64)


@dataclass(frozen=True, eq=False)
class Drawn:
    """A fleet: its lives, and when each unit was cared for; ``own`` as the records would tell."""

    lifetimes: Histories
    maintenance_item: Ints
    maintenance_age: Ints
    own: NDArray[np.bool_]

    def rows(self) -> MaintenanceRows:
        """Put the lives on the clock of care, as the page does."""
        item, age = self.maintenance_item[self.own], self.maintenance_age[self.own]
        return clock_from_maintenance(self.lifetimes, WINDOW, maintenance_item=item, maintenance_age=age)[0]

    def since_maintenance(self) -> SinceMaintenance:
        """Read them as the page does."""
        item, age = self.maintenance_item[self.own], self.maintenance_age[self.own]
        return read_since_maintenance(self.rows(), visits_on(self.lifetimes, item=item, age=age))


def draw(case: Case, rng: Rng) -> Drawn:
    """Draw a fleet: care by the calendar, then failures day by day."""
    size = case.sites * case.units
    site = np.repeat(np.arange(case.sites), case.units)
    visits = np.zeros((case.days + 1, size), dtype=np.bool_)
    for place in range(case.sites):
        on = case.calendar(rng, case.days)
        visits[on[(on > 0) & (on <= case.days)], place * case.units : (place + 1) * case.units] = True
    spread = case.variation**-2
    often = case.rate / YEAR * rng.gamma(spread, 1 / spread, case.sites)[site]
    season = 1 + case.swing * np.cos(2 * np.pi * np.arange(case.days + 1) / YEAR)
    long_ago = np.repeat(rng.integers(0, 365, case.sites), case.units)
    chance = often * season[:, None]
    if case.shape == case.later == 1:
        failed = rng.random(chance.shape) < chance
        maintenance = visits | _repairs(case, rng, failed)
    elif case.repaired == 0:
        maintenance = visits
        failed = rng.random(chance.shape) < chance * _effect(case, _since(visits, long_ago))
    else:
        maintenance, failed = _day_by_day(case, rng, visits, chance, long_ago)
    failed[0] = False
    age, item = np.nonzero(failed)
    cared_age, cared_item = np.nonzero(maintenance)
    order = np.lexsort((age, item))
    lifetimes = _lifetimes(case, site, item[order], age[order])
    # A repair is known by its call, and a visit by its task (`scope.WITH_REPAIR`).
    return Drawn(lifetimes, cared_item, cared_age, visits[cared_age, cared_item])


def _effect(case: Case, since: Floats) -> Floats:
    """Give how many times as often units fail so many days after care."""
    grown: Floats = case.shape * (np.maximum(since, 1) / YEAR) ** (case.shape - 1)
    return grown * np.where(since > 6 * MONTH, case.later, 1.0)


def _since(maintenance: NDArray[np.bool_], before: Ints) -> Floats:
    """Give the days since the last care before each day, units being cared for at the day's end."""
    day = np.arange(maintenance.shape[0])[:, None]
    last = np.maximum.accumulate(np.where(maintenance, day, -before[None, :]), axis=0)
    since: Floats = (day - np.concatenate([-before[None, :], last[:-1]])).astype(np.float64)
    return since


def _repairs(case: Case, rng: Rng, failed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Draw care that is done with the repair of failures."""
    maintenance = np.zeros_like(failed)
    if case.repaired == 0:
        return maintenance
    day, unit = np.nonzero(failed & (rng.random(failed.shape) < case.repaired))
    maintenance[np.minimum(day + rng.integers(0, 15, day.size), case.days), unit] = True
    return maintenance


def _day_by_day(
    case: Case, rng: Rng, visits: NDArray[np.bool_], chance: Floats, before: Ints
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Draw failures and care where a repair brings care that acts on the failures to come."""
    maintenance, failed = visits.copy(), np.zeros_like(visits)
    since, drawn = before.astype(np.float64), rng.random(chance.shape)
    for day in range(1, case.days + 1):
        since += 1
        failed[day] = drawn[day] < chance[day] * _effect(case, since)
        for unit in np.flatnonzero(failed[day]):
            if rng.random() < case.repaired:
                maintenance[min(day + int(rng.integers(0, 15)), case.days), unit] = True
        since[maintenance[day]] = 0
    return maintenance, failed


def _lifetimes(case: Case, site: Ints, item: Ints, age: Ints) -> Histories:
    size = site.size
    return Histories(
        groups=[0],
        item=np.arange(size),
        group=np.zeros(size, dtype=np.int64),
        site=site,
        fitted=np.full(size, FIRST),
        entry=np.zeros(size, dtype=np.int64),
        exit=np.full(size, case.days),
        event_item=item,
        event_age=age,
        event_mode=np.ones(item.size, dtype=np.int64),
        event_count=np.ones(item.size, dtype=np.int64),
        event_good=np.full(item.size, -1),
    )


def says_faster(case: Case, rng: Rng) -> float:
    """Tell whether failures are said to come faster the longer the care is ago."""
    since = draw(case, rng).since_maintenance()
    return nan if since.shape is None else float(since.faster)


def holds_shape(case: Case, rng: Rng) -> float:
    """Tell whether the shape's range holds the true one."""
    shape = draw(case, rng).since_maintenance().shape
    return nan if shape is None else float(shape[1] <= case.shape <= shape[2])


def holds_ratios(case: Case, rng: Rng) -> float:
    """Give the share of the ratios to the first months whose range holds the true one."""
    ratios = [band.ratio for band in draw(case, rng).since_maintenance().bands if band.ratio is not None]
    return float(np.mean([low <= case.later <= high for _, low, high in ratios])) if ratios else nan


def says_better(case: Case, rng: Rng, *, best: float, usual: int = 12) -> float:
    """Tell whether another interval is called better where the best one is known, in months."""
    interval = _interval(case, rng, best=best, usual=usual)
    return nan if interval.best is None else float(interval.clear)


def _interval(case: Case, rng: Rng, *, best: float, usual: int) -> Interval:
    """Ask for the interval at costs at which a known one costs least (Barlow and Hunter 1960)."""
    fleet = draw(case, rng)
    failure = 1 / (case.rate * (case.shape - 1) * (best / 12) ** case.shape)
    costs = Costs(maintenance=1.0, failure=failure, given=True)
    return best_interval(fleet.rows(), fleet.since_maintenance(), costs, usual=usual)


def says_look_otherwise(rng: Rng, *, expected: float, best: float, usual: int = 12) -> float:
    """Tell whether another inspection interval is called better, for hidden defects at a constant rate.

    The best interval is known, in months (Barlow and Proschan 1965).
    """
    years = 400.0
    cost = 2 / (expected / years * (best / 12) ** 2)
    costs = Costs(maintenance=1.0, failure=cost, given=True)
    events = int(rng.poisson(expected))
    interval = inspection_interval(costs, events=events, days=years * YEAR, usual=usual)
    return nan if interval.best is None else float(interval.clear)


def says_wears_out(rng: Rng, *, shape: float, sites: int, variation: float = 1.0) -> float:
    """Tell whether an age is given at which to replace parts, five at each site, watched for twelve years."""
    site = np.repeat(np.arange(sites), 5)
    often = rng.gamma(variation**-2, variation**2, sites)[site]
    life = 3000 * (rng.exponential(size=site.size) / often) ** (1 / shape)
    watched = np.minimum(life, 12 * YEAR)
    lifetimes = FirstFailures(
        np.zeros(site.size),
        np.maximum(np.ceil(watched), 1),
        life <= 12 * YEAR,
        np.arange(site.size),
        site,
        np.full(site.size, nan),
    )
    result = best_age(lifetimes, planned=1.0, failure=20.0)
    refused = result.best is None and "first failure" in result.reason
    return nan if refused else float("wears out" not in result.reason)


APRIL, SPRING = Case(calendar=each_april), Case(calendar=each_spring)
RANDOM, OWN = Case(calendar=at_random), Case(calendar=on_its_own)
FLEETS, FEW = 300, 8


def _simulation(
    sentence: str,
    case: str,
    fleet: Callable[[Rng], float],
    *,
    seed: int,
    nominal: float | None,
    low: float = 0.0,
    high: float = 1.0,
) -> Simulation:
    return Simulation(
        sentence=sentence,
        case=case,
        nominal=nominal,
        low=low,
        high=high,
        fleets=FLEETS,
        few=FEW,
        seed=seed,
        fleet=fleet,
    )


NO_EFFECT = {
    "no effect, maintenance each April": APRIL,
    "no effect, maintenance each April, 40 % swing over the year": replace(APRIL, swing=0.4),
    "no effect, maintenance each April, 60 % swing": replace(APRIL, swing=0.6),
    "no effect, maintenance each spring, 60 % swing": replace(SPRING, swing=0.6),
    "no effect, maintenance at random, 60 % swing": replace(RANDOM, swing=0.6),
    "no effect, 5 sites, maintenance each spring, 60 % swing": replace(SPRING, sites=5, units=12, swing=0.6),
    "no effect, 10 sites, maintenance on its own dates": replace(OWN, sites=10, units=8),
    "no effect, maintenance with every repair too, each spring, 60 % swing": replace(
        SPRING, swing=0.6, repaired=1.0
    ),
    "no effect, maintenance with every repair too, 10 sites": replace(OWN, sites=10, units=8, repaired=1.0),
}
EFFECT = {
    "shape 2, maintenance each April, 40 % swing": replace(APRIL, shape=2.0, swing=0.4),
    "shape 2, maintenance each spring, 60 % swing": replace(SPRING, shape=2.0, swing=0.6),
    "shape 2, maintenance on its own dates": replace(OWN, shape=2.0),
    "shape 2, 5 sites": replace(OWN, shape=2.0, sites=5, units=12),
}
REPAIRED = {"shape 2, maintenance with every repair too": replace(OWN, shape=2.0, repaired=1.0)}
LATER = {"twice as many from 6 months after maintenance on, any month": replace(RANDOM, later=2.0)}

FASTER = "Failures clearly come faster the longer ago the maintenance was"
TIMES = "Times as often as in the first months: the range"
SHAPE = "The shape of failures with the time since maintenance: the range"
BETTER = "Another maintenance interval is better"
WEARS = "It clearly wears out: replace it at an age"

SIMULATIONS = [
    *(
        _simulation(FASTER, name, partial(says_faster, case), seed=300 + place, nominal=0.025, high=0.025)
        for place, (name, case) in enumerate(NO_EFFECT.items())
    ),
    *(
        _simulation(FASTER, name, partial(says_faster, case), seed=320 + place, nominal=None)
        for place, (name, case) in enumerate((EFFECT | REPAIRED).items())
    ),
    *(
        _simulation(TIMES, name, partial(holds_ratios, case), seed=340 + place, nominal=0.95, low=0.92)
        for place, (name, case) in enumerate((NO_EFFECT | LATER).items())
    ),
    *(
        _simulation(SHAPE, name, partial(holds_shape, case), seed=360 + place, nominal=0.95, low=0.92)
        for place, (name, case) in enumerate((NO_EFFECT | EFFECT).items())
    ),
    _simulation(
        BETTER,
        "the usual 12 months are the best, 480 failures",
        partial(says_better, replace(OWN, shape=2.0, rate=0.5), best=12),
        seed=380,
        nominal=0.05,
        high=0.05,
    ),
    _simulation(
        BETTER,
        "the usual 12 months are the best, 60 failures",
        partial(says_better, replace(OWN, shape=2.0, rate=0.06), best=12),
        seed=381,
        nominal=0.05,
        high=0.05,
    ),
    _simulation(
        BETTER,
        "maintenance each April, 40 % swing, the usual 12 months are the best",
        partial(says_better, replace(APRIL, shape=2.0, swing=0.4), best=12),
        seed=382,
        nominal=0.05,
        high=0.05,
    ),
    _simulation(
        BETTER,
        "twice the best interval, 480 failures",
        partial(says_better, replace(OWN, shape=2.0, rate=0.5), best=6),
        seed=383,
        nominal=None,
    ),
    _simulation(
        BETTER,
        "inspections for hidden defects, the usual 12 months are the best, 15 failures",
        partial(says_look_otherwise, expected=15, best=12),
        seed=384,
        nominal=0.05,
        high=0.05,
    ),
    _simulation(
        BETTER,
        "inspections for hidden defects, four times the best interval, 15 failures",
        partial(says_look_otherwise, expected=15, best=3),
        seed=385,
        nominal=None,
    ),
    *(
        _simulation(
            WEARS,
            f"no wear, {sites} sites",
            partial(says_wears_out, shape=1.0, sites=sites, variation=variation),
            seed=390 + place,
            nominal=0.025,
            high=0.025,
        )
        for place, (sites, variation) in enumerate(((5, 1.0), (10, 0.01), (40, 1.0)))
    ),
    _simulation(
        WEARS, "shape 3, 40 sites", partial(says_wears_out, shape=3.0, sites=40), seed=395, nominal=None
    ),
]
