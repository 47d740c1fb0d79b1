"""How often the ranges of what is to come hold what comes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import count

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.forecast.year import MONTHS, Past, YearForecast, backtest, forecast_year, read_past
from servicedesk.reports.histories import Histories, Window
from servicedesk.reports.numerics.counts.rates import design_effect
from servicedesk.reports.numerics.prediction.delays import Delays, reporting_delays
from tests.simulations.claims import Fleet, Simulation
from tests.simulations.lived import TODAY, YEAR, Slots, as_read, draw_slots

Floats = NDArray[np.float64]

WEEK = 7
AHEAD = 52
"""Weeks of the year to come."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """How a fleet fails: times a year by age in years, and what makes years and months differ.

    ``years`` is the CV of a year's weather, ``rise`` the growth a year of all rates, ``swing`` how far the
    season goes up and down, ``late`` the mean delay in days of writing down.
    """

    hazard: Callable[[Floats], Floats]
    sites: int = 200
    cv: float = 0.5
    span: float = 8.0
    youngest: float = 0.0
    years: float = 0.0
    rise: float = 0.0
    swing: float = 0.0
    late: float = 0.0


@dataclass(frozen=True, eq=False)
class Drawn:
    """A fleet up to today, and what came after: by week, and the pieces each failure took."""

    histories: Histories
    slots: Slots
    delays: Delays | None
    came: NDArray[np.int64]


def draw(rng: np.random.Generator, case: Case) -> Drawn:
    """Draw a fleet and the year after today, week by week."""
    slots = draw_slots(rng, sites=case.sites, cv=case.cv, years=case.span, youngest=case.youngest)
    past = int(np.ceil(slots.age.max() / WEEK))
    week = np.arange(-past, AHEAD)
    age = slots.age[:, np.newaxis] + WEEK * (week + 0.5)
    year = np.floor_divide(week, 52)
    weather = rng.gamma(1 / case.years**2, case.years**2, year.max() - year.min() + 1) if case.years else None
    factor = (1 + case.rise) ** (week / 52) * (1 + case.swing * np.sin(2 * np.pi * week / 52))
    if weather is not None:
        factor = factor * weather[year - year.min()]
    rate = case.hazard(np.maximum(age, 0) / YEAR) * (age > 0) * slots.frailty[:, np.newaxis] * factor
    number = rng.poisson(rate * WEEK / YEAR)
    item, place = np.nonzero(number[:, :past])
    item, place = (np.repeat(each, number[item, place]) for each in (item, place))
    day = np.floor(age[item, place] + WEEK * (rng.random(item.size) - 0.5))
    inside = (day > 0) & (day <= slots.age[item])
    item, day = item[inside], day[inside]
    delays = None
    if case.late:
        delay, room = np.floor(rng.exponential(case.late, item.size)), slots.age[item] - day
        known = delay <= room
        item, day = item[known], day[known]
        delays = reporting_delays(delay[known], room[known])
    return Drawn(
        as_read(slots.site, slots.age, slots.age, item, day), slots, delays, number[:, past:].sum(axis=0)
    )


def year_forecast_of(fleet: Drawn, *, vans: int = 1) -> tuple[Past, YearForecast]:
    """Forecast the failures of a fleet in the next twelve months, with the past it rests on."""
    histories, slots = fleet.histories, fleet.slots
    window = Window(0, TODAY)
    rows = histories.counting_rows(window)
    events = int(rows.event.sum())
    effect = design_effect(rows.event, rows.stop - rows.start, rows.site) if events else 1.0
    past = read_past(
        histories,
        window,
        events=events,
        years=float(slots.age.sum()) / YEAR,
        effect=effect,
        delays=fleet.delays,
    )
    counts = _season(histories)
    return past, forecast_year(past, slots.age, items=slots.age.size, counts=counts, vans=vans)


def _season(histories: Histories) -> Floats:
    """Count failures by the month of the year that each stands before, over whole years."""
    on = histories.fitted[histories.event_item] + histories.event_age
    whole = np.floor((TODAY - histories.fitted.min()) / YEAR) * YEAR
    ago = TODAY - on
    month = np.floor((-ago[ago < whole] % YEAR) / YEAR * MONTHS).astype(np.int64)
    counts = np.bincount(
        np.minimum(month, MONTHS - 1), weights=histories.event_count[ago < whole], minlength=MONTHS
    )
    return counts + 2.0


def year_holds(rng: np.random.Generator, *, case: Case) -> float:
    """Say whether the range of the twelve months holds what comes."""
    fleet = draw(rng, case)
    _, outlook = year_forecast_of(fleet)
    return float(outlook.year.low <= fleet.came.sum() <= outlook.year.high)


def month_holds(rng: np.random.Generator, *, case: Case) -> float:
    """Give the share of the twelve months whose range holds what comes."""
    fleet = draw(rng, case)
    _, outlook = year_forecast_of(fleet)
    month = np.arange(AHEAD) * MONTHS // AHEAD
    came = np.bincount(month, weights=fleet.came)
    return float(
        np.mean([each.low <= number <= each.high for each, number in zip(outlook.months, came, strict=True)])
    )


def constant(age: Floats) -> Floats:
    """A failure in ten years at any age."""
    return np.full(age.shape, 0.1)


def often(age: Floats) -> Floats:
    """Four failures in ten years at any age."""
    return np.full(age.shape, 0.4)


def quiet(age: Floats) -> Floats:
    """A failure in two hundred years."""
    return np.full(age.shape, 0.005)


def wearing(age: Floats) -> Floats:
    """A hazard that rises with age."""
    return 0.02 * age


def early(age: Floats) -> Floats:
    """Early failures, then few."""
    return 0.02 + 0.6 * np.exp(-age / 0.4)


def bathtub(age: Floats) -> Floats:
    """Early failures, a quiet time, and wear."""
    return 0.01 + 0.4 * np.exp(-age / 0.4) + 0.25 * (age / 12) ** 5


CASES: dict[str, Case] = {
    "constant, 20 sites": Case(hazard=constant, sites=20),
    "constant, 20 sites, CV 1": Case(hazard=constant, sites=20, cv=1.0),
    "constant, 200 sites": Case(hazard=constant),
    "constant, 200 sites, CV 1": Case(hazard=constant, cv=1.0),
    "wear, 200 sites": Case(hazard=wearing),
    "years of CV 25 %, 200 sites": Case(hazard=constant, years=0.25),
    "years of CV 25 %, 20 sites": Case(hazard=constant, years=0.25, sites=20),
    "early then quiet then wear": Case(hazard=bathtub, span=10),
    "early then quiet": Case(hazard=early),
    "rate rising 15 % a year": Case(hazard=constant, rise=0.15),
    "young, written down 40 days late": Case(hazard=often, span=1.5, youngest=0.3, late=40),
    "season of 60 %": Case(hazard=constant, swing=0.6),
    "quiet": Case(hazard=quiet, sites=60),
}
SMALL = {"quiet"}
"""Cases of so few failures that whole counts cannot come near 95 %: they hold more often."""


def shelf_does(rng: np.random.Generator, *, case: Case, vans: int = 0) -> float:
    """Say whether the stock of spare pieces covered the demand: a year's, or a van's in its hardest month.

    A failure takes one piece or six, as likely.
    """
    fleet = draw(rng, case)
    _, outlook = year_forecast_of(fleet, vans=max(vans, 1))
    events = int(fleet.histories.event_count.sum())
    six = int(rng.binomial(events, 0.5))
    prediction, month = outlook.year, np.arange(AHEAD)
    if vans:
        hardest = int(np.argmax([each.mean for each in outlook.months]))
        prediction, month = outlook.van, month[month * MONTHS // AHEAD == hardest]
    came = int(fleet.came[month].sum())
    came = int(rng.binomial(came, 1 / vans)) if vans else came
    taken = came + 5 * int(rng.binomial(came, 0.5))
    return float(taken <= prediction.pieces_for(0.95, {1: events - six, 6: six}))


def said_a_year_ago_holds(rng: np.random.Generator, *, case: Case) -> float:
    """Say whether what came lies in the range that a forecast of a year ago would have given."""
    histories = draw(rng, case).histories
    rows = histories.counting_rows(Window(0, TODAY))
    effect = design_effect(rows.event, rows.stop - rows.start, rows.site)
    then = backtest(histories, Window(0, TODAY), effect=effect)
    return float("nan") if then is None else float(then.low <= then.came <= then.high)


def _cases() -> Iterator[tuple[str, str, float, Fleet]]:
    """Give sentence, case, upper bound and fleet."""
    for name, case in CASES.items():
        words = f"{name} (whole counts hold more)" if name in SMALL else name
        most = 1.0 if name in SMALL else 0.985
        yield "twelve months, 95 times in a hundred", words, most, partial(year_holds, case=case)
        if name != "rate rising 15 % a year":
            yield (
                "a month, 95 times in a hundred",
                words,
                1.0 if case.sites < 200 else most,
                partial(month_holds, case=case),
            )
    for name in ("constant, 20 sites", "constant, 200 sites", "years of CV 25 %, 200 sites"):
        case = CASES[name]
        yield "asked a year ago it would have said", name, 0.985, partial(said_a_year_ago_holds, case=case)
        six = f"{name}, one piece or six a failure"
        yield "the shelf does in 95 % of cases", six, 0.985, partial(shelf_does, case=case)
        yield "a van does in 95 % of cases", f"{six}, two vans", 1.0, partial(shelf_does, case=case, vans=2)


_SEEDS = count(2001)
SIMULATIONS = [
    Simulation(
        sentence=sentence,
        case=case,
        nominal=0.95,
        low=0.92,
        high=most,
        fleets=200,
        few=2,
        seed=next(_SEEDS),
        fleet=fleet,
    )
    for sentence, case, most, fleet in _cases()
]
