"""Two types of part held against each other: as they are, and allowing for sun, colour and age."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np

from servicedesk.reports.histories import Histories, Window
from servicedesk.reports.judgements import (
    ADJUST_EVENTS,
    ADJUST_SITES,
    DAYS_PER_YEAR,
    RATE_SITES,
    RATE_YEARS,
    STRATA_EVENTS,
    SURE,
    TEST_EVENTS,
    TEST_SITES,
    Judged,
    judge_rate,
)
from servicedesk.reports.lifetimes.adjust import OverlapError, rate_regression
from servicedesk.reports.lifetimes.rates import (
    RateRatio,
    clustered_event_rate,
    design_effect,
    rate_ratio,
    stratified_rate_ratio,
)
from servicedesk.reports.lifetimes.recurrence import compare_mean_cumulative
from servicedesk.reports.queries.lives import read_histories
from servicedesk.reports.queries.surroundings import read_traits
from servicedesk.reports.selection import Selection
from servicedesk.reports.strata import AGES, Strata, tell_strata_apart
from servicedesk.reports.traits import Key
from servicedesk.reports.words import amount, counted, percent
from units.models import ComponentType

TRAITS = ("sun", "colour", "age")
MATTERS = 1.15
"""A ratio that allowing for something changes by less than this is said to stay the same."""
APART = 0.15
"""Two types whose shares of a class differ by this are said to be used differently."""


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One of the two types."""

    key: int
    name: str
    events: int
    items: int
    sites: int
    years: float
    judged: Judged


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """How many times as often the first type fails as the second, one way of reckoning, or why not."""

    name: str
    ratio: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a ratio."""
        return self.ratio is not None


@dataclass(frozen=True, kw_only=True)
class Stratum:
    """Parts in like sun, of like colour and age: failures and item-years of both types.

    ``alike`` are the traits they share and ``band`` the place of their age, for the way down to the findings.
    """

    sun: str
    colour: str
    age: str
    events: tuple[int, int]
    years: tuple[float, float]
    alike: tuple[tuple[str, Key | None], ...]
    band: int

    @property
    def shared(self) -> bool:
        """Whether both types were watched in it."""
        return min(self.years) > 0


@dataclass(frozen=True, kw_only=True)
class CompareFigure:
    """Two types of part held against each other.

    ``ratios`` are the crude, the stratified and the regression-adjusted one; ``p_value`` is that of the test
    of the two curves over age, None with ``test_reason`` where they are too thin; ``confounding`` says what
    differs between the two besides the type.
    """

    selection: Selection
    one: Compared
    other: Compared
    ratios: list[Ratio]
    strata: list[Stratum]
    confounding: list[str]
    design_effect: float
    p_value: float | None
    test_reason: str

    @property
    def best(self) -> Ratio:
        """The ratio that allows for most."""
        return next((ratio for ratio in reversed(self.ratios) if ratio.known), self.ratios[0])


def compare_figure(
    selection: Selection, *, one: int, other: int, histories: Histories | None = None
) -> CompareFigure:
    """Hold two types of part against each other.

    Parameters
    ----------
    selection
        Which days, failures and units count; its types of part are the two.
    one, other
        Keys of the types, of one kind of part.
    histories
        What was read of all types of the selection, by type; the two are read anew where it is left out.
    """
    chosen = selection.only("component", one, other)
    if histories is None:
        histories = read_histories(chosen, by="component")
    else:
        histories = histories.of_keys((one, other))
    window = Window(chosen.after.toordinal() if chosen.after else 0, chosen.last.toordinal())
    rows = histories.counting_rows(window)
    group = histories.group[np.searchsorted(histories.item, rows.item)]
    which = np.where(group == histories.place(one), 0, 1).astype(np.int64)
    strata = tell_strata_apart(rows, which=which, traits=read_traits(chosen))
    names = ComponentType.objects.in_bulk([one, other])
    sides = [
        _side(histories, rows, strata, key, names[key].name, place) for place, key in enumerate((one, other))
    ]
    effect = _effect(strata)
    ratios = [
        _crude(*sides, effect=effect),
        _stratified(strata, effect=effect),
        _adjusted(strata),
    ]
    p_value, why = _test(rows, which, sides)
    return CompareFigure(
        selection=chosen,
        one=sides[0],
        other=sides[1],
        ratios=ratios,
        strata=_strata(strata),
        confounding=_confounding(strata, sides, ratios),
        design_effect=effect,
        p_value=p_value,
        test_reason=why,
    )


def _side(histories: Histories, rows: Any, strata: Strata, key: int, name: str, place: int) -> Compared:
    mine = strata.which == place
    events, years = int(strata.events[mine].sum()), float(strata.days[mine].sum()) / DAYS_PER_YEAR
    sites = int(np.unique(strata.site[mine]).size)
    items = np.isin(rows.item, histories.item[histories.group == histories.place(key)])
    return Compared(
        key=key,
        name=name,
        events=events,
        items=int(np.unique(rows.item[items]).size),
        sites=sites,
        years=years,
        judged=judge_rate(events, years, sites=sites, wider=_wider(strata, mine)),
    )


def _wider(strata: Strata, mine: Any) -> tuple[float, float] | None:
    """Give the limits of one type's failures an item-year that allow for shared sites."""
    if not mine.any():
        return None
    found = clustered_event_rate(
        strata.events[mine],
        strata.days[mine] / DAYS_PER_YEAR,
        strata.site[mine],
        fleet_design_effect=_effect(strata),
    )
    return found.low, found.high


def _effect(strata: Strata) -> float:
    if strata.days.size == 0:
        return 1.0
    found = design_effect(strata.events, strata.days, strata.site, group=strata.which)
    return 1.0 if np.isnan(found) else float(found)


def _as_ratio(name: str, found: RateRatio) -> Ratio:
    return Ratio(name=name, ratio=found.ratio, low=found.low, high=found.high)


def _crude(one: Compared, other: Compared, *, effect: float) -> Ratio:
    """Compare the two rates as they are."""
    name = "as they are"
    for side in (one, other):
        if side.years < RATE_YEARS or side.sites < RATE_SITES:
            return Ratio(name=name, reason=f"{side.name}: {side.judged.reason}")
    events = one.events + other.events
    part = one.years / (one.years + other.years)
    if 2 * min(part ** (events / effect), (1 - part) ** (events / effect)) > SURE:
        told = f"with {counted(events, 'failure')} in all, no result could have shown a difference"
        return Ratio(name=name, reason=told)
    found = rate_ratio(one.events, one.years, other.events, other.years, design_effect=effect)
    return _as_ratio(name, found)


def _stratified(strata: Strata, *, effect: float) -> Ratio:
    """Compare like with like: within sun, colour and age."""
    name = "like with like"
    _, events, days = strata.by_stratum()
    shared = (days > 0).all(axis=0)
    if not shared.any():
        return Ratio(name=name, reason="the two were never watched in like sun, of like colour and age")
    if events[:, shared].sum() / effect < STRATA_EVENTS:
        told = counted(int(events[:, shared].sum()), "failure")
        return Ratio(name=name, reason=f"{told} where both were watched; that is too few")
    found = stratified_rate_ratio(events[0], days[0], events[1], days[1], design_effect=effect)
    return _as_ratio(name, found)


def _adjusted(strata: Strata) -> Ratio:
    """Compare with a regression that allows for sun, colour and age at once."""
    name = "adjusted by regression"
    sites, events = np.unique(strata.site).size, int(strata.events.sum())
    if sites < ADJUST_SITES:
        return Ratio(name=name, reason=f"watched at {counted(sites, 'site')}; it takes {ADJUST_SITES}")
    if min(strata.events[strata.which == place].sum() for place in (0, 1)) == 0:
        return Ratio(name=name, reason="one of the two has not failed at all")
    told = _with_failures(strata)
    design, names = _design(strata, told)
    if events < ADJUST_EVENTS * len(names):
        few = f"{counted(events, 'failure')} for {len(names)} unknowns"
        return Ratio(name=name, reason=f"{few}; it takes {ADJUST_EVENTS} for each")
    try:
        found = rate_regression(
            strata.events[told], strata.days[told], design, strata.site[told], names=names
        )
    except OverlapError as error:
        alike = " and ".join(each for each in (error.name, *error.others) if each not in names[:2])
        why = f"“{alike}” go together in these records" if alike else "the type goes with sun, colour or age"
        return Ratio(name=name, reason=f"{why}, so they cannot be told apart")
    except ValueError as error:
        return Ratio(name=name, reason=f"it could not be reckoned ({error})")
    return Ratio(name=name, ratio=float(found.ratio[1]), low=float(found.low[1]), high=float(found.high[1]))


def _with_failures(strata: Strata) -> Any:
    """Leave out sun, colours and ages in which nothing failed: their rate is nothing whatever the type."""
    told = np.ones(strata.days.size, dtype=np.bool_)
    for trait in TRAITS:
        place = getattr(strata, trait)
        failed = np.bincount(place, weights=strata.events, minlength=len(strata.names(trait)))
        told &= failed[place] > 0
    return told


def _design(strata: Strata, told: Any) -> tuple[Any, list[str]]:
    """Put up the columns of a regression: the rate, the type, and each class but the commonest of a trait."""
    columns = [np.ones(int(told.sum())), (strata.which[told] == 0).astype(np.float64)]
    names = ["rate", "type"]
    for trait in TRAITS:
        place = getattr(strata, trait)[told]
        days = np.bincount(place, weights=strata.days[told], minlength=len(strata.names(trait)))
        for number in np.flatnonzero(days):
            if number != int(np.argmax(days)):
                columns.append((place == number).astype(np.float64))
                names.append(strata.names(trait)[int(number)])
    return np.stack(columns, axis=1), names


def _test(rows: Any, which: Any, sides: Sequence[Compared]) -> tuple[float | None, str]:
    """Test whether the two gather failures alike over their ages."""
    for side in sides:
        if side.sites < TEST_SITES or side.events < TEST_EVENTS:
            told = f"{side.name}: {counted(side.events, 'failure')} at {counted(side.sites, 'site')}"
            return None, f"{told}; the test takes {TEST_EVENTS} at {TEST_SITES}"
    found = compare_mean_cumulative(rows.start, rows.stop, rows.event, rows.site, which)
    return found.p_value, ""


def _strata(strata: Strata) -> list[Stratum]:
    keys, events, days = strata.by_stratum()
    suns, colours = strata.names("sun"), strata.names("colour")
    return [
        Stratum(
            sun=suns[sun],
            colour=colours[colour],
            age=AGES[age],
            events=(int(events[0, place]), int(events[1, place])),
            years=(float(days[0, place]) / DAYS_PER_YEAR, float(days[1, place]) / DAYS_PER_YEAR),
            alike=(("sun", strata.traits.sun_keys[sun]), ("finish", strata.traits.colour_keys[colour])),
            band=age,
        )
        for place, (sun, colour, age) in enumerate(keys)
    ]


def _confounding(strata: Strata, sides: Sequence[Compared], ratios: Sequence[Ratio]) -> list[str]:
    """Say in what the two differ besides their type, and what allowing for it changes."""
    if strata.days.size == 0:
        return []
    told = []
    for trait in TRAITS:
        shares = strata.shares(trait)
        place = int(np.argmax(np.abs(shares[0] - shares[1])))
        if abs(shares[0, place] - shares[1, place]) >= APART:
            told.append(
                f"Of the time {sides[0].name} was watched, {percent(shares[0, place])} was "
                f"{strata.names(trait)[place]}; of {sides[1].name}, {percent(shares[1, place])}."
            )
    crude = ratios[0].ratio
    allowed = next((ratio.ratio for ratio in reversed(ratios[1:]) if ratio.known), None)
    if not crude or not allowed:
        return told
    if abs(log(crude / allowed)) < log(MATTERS):
        return [*told, "Allowing for sun, colour and age changes little."]
    change = f"Allowing for sun, colour and age, {amount(crude)} times becomes {amount(allowed)} times"
    if log(crude) * log(allowed) < 0 and min(abs(log(crude)), abs(log(allowed))) > log(MATTERS):
        return [*told, f"{change}: seen alike, it is the other way round."]
    nearer = abs(log(allowed)) < abs(log(crude))
    why = (
        "part of the difference is where they are fitted"
        if nearer
        else "where they are fitted hides some of it"
    )
    return [*told, f"{change}: {why}."]


def comparison_sentence(figure: CompareFigure) -> str:
    """Say what a comparison comes to."""
    best, one, other = figure.best, figure.one.name, figure.other.name
    if best.ratio is None or best.low is None or best.high is None:
        return f"The records cannot tell yet whether {one} fails more often than {other}: {best.reason}."
    span = f"({amount(best.low)} to {amount(best.high)})"
    times = (
        "all the failures are its own"
        if best.ratio == float("inf")
        else f"{amount(best.ratio)} times as often {span}"
    )
    how = {"as they are": "", "like with like": "Like with like, ", "adjusted by regression": "Seen alike, "}
    lead = how[best.name]
    if best.low > 1:
        told = f"{one} fails clearly more often than {other}: {times}"
    elif best.high < 1:
        told = f"{one} fails clearly less often than {other}: {times}"
    else:
        told = f"the records cannot tell yet whether {one} or {other} fails more often: {times}"
    whole = f"{lead}{told}."
    return whole[:1].upper() + whole[1:]
