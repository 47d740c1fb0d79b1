"""How often wear, early failures and trends with age are said of parts with none, and of parts with some."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import count

import numpy as np

from servicedesk.reports.curves.life_fits import Reading, life_fit
from servicedesk.reports.curves.shown_ages import shown_ages
from servicedesk.reports.histories import Histories, Window
from servicedesk.reports.questions.judgements import CURVE_ITEMS, CURVE_SITES, LIFE_ITEMS
from servicedesk.reports.rates.trends import Direction, read_trend
from tests.simulations.claims import Fleet, Simulation
from tests.simulations.lived import TODAY, YEAR, draw_slots, repaired, replaced

WINDOW = Window(0, TODAY)
SCALE = 12 * YEAR
"""Of a part's life: with constant hazard one failure in twelve years."""

Way = Callable[..., Histories]


def _draw(rng: np.random.Generator, *, way: Way, sites: int, cv: float, shape: float) -> Histories:
    return way(rng, draw_slots(rng, sites=sites, cv=cv, years=12), scale=SCALE, shape=shape)


def says_of_lifetimes(
    rng: np.random.Generator, *, reading: Reading, way: Way, sites: int, cv: float, shape: float
) -> float:
    """Say whether the life fitted to first failures is read so."""
    lifetimes = _draw(rng, way=way, sites=sites, cv=cv, shape=shape).first_failures(WINDOW)
    ages = shown_ages(
        lifetimes.entry,
        lifetimes.exit,
        lifetimes.site,
        to_start=LIFE_ITEMS,
        to_go_on=CURVE_ITEMS,
        sites=CURVE_SITES,
    )
    if ages is None:
        return float("nan")
    fit = life_fit(lifetimes, start=ages.start, stop=ages.stop)
    return float("nan") if fit.shape is None else float(fit.reading == reading)


def says_of_repairs(
    rng: np.random.Generator, *, direction: Direction, way: Way, sites: int, cv: float, shape: float
) -> float:
    """Say whether the trend of repeated failures is read as the given direction."""
    trend = read_trend(_draw(rng, way=way, sites=sites, cv=cv, shape=shape).counting_rows(WINDOW))
    return float("nan") if trend.direction is None else float(trend.direction == direction)


WAYS: dict[str, Way] = {"repaired": repaired, "replaced": replaced}


def _cases() -> Iterator[tuple[str, float, float | None, float, float, Fleet]]:
    """Give sentence, nominal, bounds and fleet of each case; a direction is said at 5 % to two sides."""
    for words, way in WAYS.items():
        for sites, cv in ((20, 1.0), (200, 0.5), (200, 1.0)):
            case = f"constant hazard, {words}, {sites} sites, CV {cv:g}"
            for reading in (Reading.WEARS_OUT, Reading.EARLY):
                fleet = partial(says_of_lifetimes, reading=reading, way=way, sites=sites, cv=cv, shape=1.0)
                yield f"“{reading}”", case, 0.025, 0.0, 0.05, fleet
            for direction in (Direction.FASTER, Direction.SLOWER):
                fleet = partial(says_of_repairs, direction=direction, way=way, sites=sites, cv=cv, shape=1.0)
                yield f"“{direction}”", case, 0.025, 0.0, 0.05, fleet
    for reading, shape, low in ((Reading.WEARS_OUT, 2.0, 0.8), (Reading.EARLY, 0.5, 0.8)):
        fleet = partial(says_of_lifetimes, reading=reading, way=repaired, sites=200, cv=0.5, shape=shape)
        yield f"“{reading}”", f"shape {shape:g}, 200 sites, CV 0.5", None, low, 1.0, fleet
    for direction, shape in ((Direction.FASTER, 2.0), (Direction.SLOWER, 0.5)):
        fleet = partial(says_of_repairs, direction=direction, way=repaired, sites=200, cv=0.5, shape=shape)
        yield f"“{direction}”", f"shape {shape:g}, 200 sites, CV 0.5", None, 0.8, 1.0, fleet


_SEEDS = count(1001)
SIMULATIONS = [
    Simulation(
        sentence=sentence,
        case=case,
        nominal=nominal,
        low=low,
        high=high,
        fleets=300,
        few=10,
        seed=next(_SEEDS),
        fleet=fleet,
    )
    for sentence, case, nominal, low, high, fleet in _cases()
]
