"""Comparison of the failure rates of two types of part: crude, and adjusted for sun, color and age."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np

from servicedesk.core.values.words import counted
from servicedesk.reports.histories import Histories, Window
from servicedesk.reports.numerics.counts.jackknife import jackknife_rate
from servicedesk.reports.numerics.counts.rates import design_effect
from servicedesk.reports.numerics.survival.recurrence import compare_mean_cumulative
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.queries.surroundings import read_traits
from servicedesk.reports.questions.judgements import (
    DAYS_PER_YEAR,
    TEST_EVENTS,
    TEST_SITES,
    caveat,
    judge_rate,
)
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import Key
from servicedesk.reports.rates.strata import AGES, Strata, Traits, tell_strata_apart
from servicedesk.reports.rates.type_ratios import (
    ADJUSTED,
    CRUDE,
    STRATIFIED,
    TRAITS,
    Compared,
    Ratio,
    type_ratios,
)
from servicedesk.reports.words import amount, percent
from units.models import ComponentType

MATTERS = 1.15
"""Change of a ratio by adjustment, as a factor, below which it counts as the same."""
APART = 0.15
"""Difference in the shares of a class from which on two types count as used differently."""


@dataclass(frozen=True, kw_only=True)
class Stratum:
    """Stratum of sun, color and age: failures and item-years of both types.

    ``alike`` are the traits they share and ``band`` the index of their age band, for the link to findings.
    """

    sun: str
    color: str
    age: str
    events: tuple[int, int]
    years: tuple[float, float]
    alike: tuple[tuple[str, Key | None], ...]
    band: int

    @property
    def shared(self) -> bool:
        """Whether both types have time at risk in it."""
        return min(self.years) > 0


@dataclass(frozen=True, kw_only=True)
class CompareFigure:
    """Comparison of two types of part.

    ``ratios`` are the crude, the stratified and the regression-adjusted one; ``p_value`` is that of the test
    of the two curves over age, None with ``test_reason`` where there are too few failures or sites;
    ``confounding`` has sentences on what differs between the two besides the type.
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
        """The ratio with the most adjustment that is known, else the crude one."""
        return next((ratio for ratio in reversed(self.ratios) if ratio.known), self.ratios[0])


def compare_figure(
    selection: Selection, *, one: int, other: int, histories: Histories | None = None
) -> CompareFigure:
    """Compute the comparison of two types of part.

    Parameters
    ----------
    selection
        Days, failures and units that count; its types of part are replaced by the two.
    one, other
        Keys of the types, of one kind of part.
    histories
        Histories of all types of the selection, by type; by default those of the two are read.
    """
    chosen = selection.only("component", one, other)
    if histories is None:
        histories = read_histories(chosen, by="component")
    else:
        histories = histories.of_keys((one, other))
    names = {key: each.name for key, each in ComponentType.objects.in_bulk([one, other]).items()}
    return compare(
        histories, read_traits(chosen), selection=chosen, one=(one, names[one]), other=(other, names[other])
    )


def compare(
    histories: Histories,
    traits: Traits,
    *,
    selection: Selection,
    one: tuple[int, str],
    other: tuple[int, str],
) -> CompareFigure:
    """Compute the comparison of two types of part from their histories.

    Parameters
    ----------
    histories, traits
        Lifetimes of the two types, grouped by type, and the traits of their units.
    selection
        Days that count.
    one, other
        Key and name of each type.
    """
    window = Window(selection.after.toordinal() if selection.after else 0, selection.last.toordinal())
    rows = histories.counting_rows(window)
    group = histories.group[np.searchsorted(histories.item, rows.item)]
    which = np.where(group == histories.place(one[0]), 0, 1).astype(np.int64)
    strata = tell_strata_apart(rows, which=which, traits=traits)
    sides = [_side(histories, rows, strata, *named, place) for place, named in enumerate((one, other))]
    ratios = type_ratios(strata, *sides)
    p_value, why = _test(rows, which, sides)
    return CompareFigure(
        selection=selection,
        one=sides[0],
        other=sides[1],
        ratios=ratios,
        strata=_strata(strata),
        confounding=_confounding(strata, sides, ratios),
        design_effect=_effect(strata),
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
    """Jackknife limits of one type's rate by site, None without time at risk."""
    if not mine.any():
        return None
    rate = jackknife_rate(
        strata.events[mine],
        strata.days[mine] / DAYS_PER_YEAR,
        strata.site[mine],
        fleet_design_effect=_effect(strata),
    )
    return rate.low, rate.high


def _effect(strata: Strata) -> float:
    if strata.days.size == 0:
        return 1.0
    effect = design_effect(strata.events, strata.days, strata.site, group=strata.which)
    return 1.0 if np.isnan(effect) else float(effect)


def _test(rows: Any, which: Any, sides: Sequence[Compared]) -> tuple[float | None, str]:
    """P-value that both types have the same mean cumulative function, or None with the reason."""
    for side in sides:
        if side.sites < TEST_SITES or side.events < TEST_EVENTS:
            counts = f"{side.name}: {counted(side.events, 'failure')} at {counted(side.sites, 'site')}"
            return None, f"{counts}; the test takes {TEST_EVENTS} at {TEST_SITES}"
    result = compare_mean_cumulative(rows.start, rows.stop, rows.event, rows.site, which)
    return result.p_value, ""


def _strata(strata: Strata) -> list[Stratum]:
    keys, events, days = strata.by_stratum()
    suns, colors = strata.names("sun"), strata.names("color")
    return [
        Stratum(
            sun=suns[sun],
            color=colors[color],
            age=AGES[age],
            events=(int(events[0, place]), int(events[1, place])),
            years=(float(days[0, place]) / DAYS_PER_YEAR, float(days[1, place]) / DAYS_PER_YEAR),
            alike=(("sun", strata.traits.sun_keys[sun]), ("finish", strata.traits.color_keys[color])),
            band=age,
        )
        for place, (sun, color, age) in enumerate(keys)
    ]


def _confounding(strata: Strata, sides: Sequence[Compared], ratios: Sequence[Ratio]) -> list[str]:
    """Sentences on confounding: how the two differ besides their type, and what the adjustment changes."""
    if strata.days.size == 0:
        return []
    sentences = []
    for trait in TRAITS:
        shares = strata.shares(trait)
        place = int(np.argmax(np.abs(shares[0] - shares[1])))
        if abs(shares[0, place] - shares[1, place]) >= APART:
            sentences.append(
                f"Of the time {sides[0].name} was watched, {percent(shares[0, place])} was "
                f"{strata.names(trait)[place]}; of {sides[1].name}, {percent(shares[1, place])}."
            )
    crude = ratios[0].ratio
    allowed = next((ratio.ratio for ratio in reversed(ratios[1:]) if ratio.known), None)
    if not crude or not allowed:
        return sentences
    if abs(log(crude / allowed)) < log(MATTERS):
        return [*sentences, "Adjusting for age, sun and color changes little."]
    change = f"Adjusted for age, sun and color, {amount(crude)} times becomes {amount(allowed)} times"
    if log(crude) * log(allowed) < 0 and min(abs(log(crude)), abs(log(allowed))) > log(MATTERS):
        return [*sentences, f"{change}: adjusted, it is the other way around."]
    nearer = abs(log(allowed)) < abs(log(crude))
    why = (
        "part of the difference is where they are fitted"
        if nearer
        else "where they are fitted hides some of it"
    )
    return [*sentences, f"{change}: {why}."]


def comparison_sentence(figure: CompareFigure) -> str:
    """Sentence with the result of a comparison."""
    best, one, other = figure.best, figure.one.name, figure.other.name
    if best.ratio is None or best.low is None or best.high is None:
        unsure = f"The records cannot tell yet whether {one} fails more often than {other}: {best.reason}."
        return " ".join([unsure, *(_alone(side) for side in (figure.one, figure.other))])
    span = f"({amount(best.low)} to {amount(best.high)})"
    times = (
        "all the failures are its own"
        if best.ratio == float("inf")
        else f"{amount(best.ratio)} times as often {span}"
    )
    how = {CRUDE: "", STRATIFIED: "Adjusted for age, sun and color, ", ADJUSTED: "Adjusted by regression, "}
    lead = how[best.name]
    if best.low > 1:
        verdict = f"{one} fails clearly more often than {other}: {times}"
    elif best.high < 1:
        verdict = f"{one} fails clearly less often than {other}: {times}"
    else:
        verdict = f"the records cannot tell yet whether {one} or {other} fails more often: {times}"
    whole = f"{lead}{verdict}."
    return whole[:1].upper() + whole[1:]


def _alone(side: Compared) -> str:
    """Sentence on the rate of one type by itself."""
    return f"{side.name[:1].upper()}{side.name[1:]}: {caveat(side.events, side.years, side.judged)}"
