"""Rate ratio of two types of part: crude, stratified, and adjusted by regression.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import isinf
from typing import Any, Final

import numpy as np

from servicedesk.core.values.words import counted
from servicedesk.reports.numerics.counts.adjust import OverlapError, rate_regression
from servicedesk.reports.numerics.counts.jackknife import JackknifeRatio, jackknife_rate_ratio
from servicedesk.reports.questions.judgements import (
    ADJUST_EVENTS,
    ADJUST_SITES,
    COMPARED_SITES,
    RATE_YEARS,
    STRATA_EVENTS,
    SURE,
    Judged,
)
from servicedesk.reports.rates.strata import Strata

TRAITS: Final = ("sun", "color", "age")
ALIKE: Final = "the same sun, of the same color and age"
CRUDE, STRATIFIED, ADJUSTED = WAYS = (
    "unadjusted",
    "adjusted for age, sun and color",
    "adjusted by regression",
)
ONE_SITE: Final = "it would rest on the failures of one site"


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One of the two types, with its counts and rate."""

    key: int
    name: str
    events: int
    items: int
    sites: int
    years: float
    judged: Judged


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """Rate ratio of the first type to the second by one method, or the reason for none."""

    name: str
    ratio: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a ratio."""
        return self.ratio is not None


def type_ratios(strata: Strata, one: Compared, other: Compared) -> list[Ratio]:
    """Crude, stratified and regression-adjusted rate ratios of two types.

    Where there are too few sites for the first there is none of the others either: adjustment for sun, color
    and age does not add sites.
    """
    names = one.name, other.name
    thin = _too_thin(one, other)
    if thin:
        return [Ratio(name=way, reason=thin) for way in WAYS]
    return [_crude(strata, one, other), _stratified(strata, names), _adjusted(strata, names)]


def _too_thin(*sides: Compared) -> str:
    """Reason why the two cannot be compared at all, empty where there is enough data."""
    short = _too_few_sites((side.name, side.sites) for side in sides)
    if short:
        return short
    reasons = [f"{side.name}: {side.judged.reason}" for side in sides if side.years < RATE_YEARS]
    return reasons[0] if reasons else ""


def _too_few_sites(sides: Iterable[tuple[str, int]], *, where: str = "") -> str:
    """Reason naming the types at too few sites, empty where there are enough; sites are the clusters."""
    short = [f"{name} stands at {sites}" for name, sites in sides if sites < COMPARED_SITES]
    return f"it takes {COMPARED_SITES} sites of each type{where}, and {' and '.join(short)}" if short else ""


def _as_ratio(name: str, estimate: JackknifeRatio) -> Ratio:
    if estimate.low == 0 and isinf(estimate.high):
        return Ratio(name=name, reason=ONE_SITE)
    return Ratio(name=name, ratio=estimate.ratio, low=estimate.low, high=estimate.high)


def _crude(strata: Strata, one: Compared, other: Compared) -> Ratio:
    """Crude rate ratio, with jackknife limits by site."""
    name = CRUDE
    events = one.events + other.events
    part = one.years / (one.years + other.years)
    if 2 * min(part**events, (1 - part) ** events) > SURE:
        reason = f"with {counted(events, 'failure')} in all, no result could have shown a difference"
        return Ratio(name=name, reason=reason)
    estimate = jackknife_rate_ratio(strata.events, strata.days, strata.site, strata.which)
    return _as_ratio(name, estimate)


def _stratified(strata: Strata, names: tuple[str, str]) -> Ratio:
    """Mantel-Haenszel rate ratio within sun, color and age, with jackknife limits by site."""
    name = STRATIFIED
    place, shared = strata.places(), strata.shared_rows()
    if not shared.any():
        return Ratio(name=name, reason=f"the two were never watched in {ALIKE}")
    events = int(strata.events[shared].sum())
    if events < STRATA_EVENTS:
        counts = counted(events, "failure")
        return Ratio(name=name, reason=f"{counts} where both were watched; that is too few")
    estimate = jackknife_rate_ratio(strata.events, strata.days, strata.site, strata.which, stratum=place)
    short = _too_few_sites(zip(names, estimate.sites, strict=True), where=f" in {ALIKE}")
    if short:
        return Ratio(name=name, reason=short)
    return _as_ratio(name, estimate)


def _adjusted(strata: Strata, names: tuple[str, str]) -> Ratio:
    """Rate ratio by Poisson regression on type, sun, color and age, with jackknife errors by site."""
    name = ADJUSTED
    sites, events = np.unique(strata.site).size, int(strata.events.sum())
    if sites < ADJUST_SITES:
        return Ratio(name=name, reason=f"watched at {counted(sites, 'site')}; it takes {ADJUST_SITES}")
    if min(strata.events[strata.which == place].sum() for place in (0, 1)) == 0:
        return Ratio(name=name, reason="one of the two has not failed at all")
    informative = _with_failures(strata)
    of_each = [np.unique(strata.site[informative & (strata.which == place)]).size for place in (0, 1)]
    short = _too_few_sites(zip(names, of_each, strict=True), where=" in sun, color and age with failures")
    if short:
        return Ratio(name=name, reason=short)
    design, columns = _design(strata, informative)
    if events < ADJUST_EVENTS * len(columns):
        few = f"{counted(events, 'failure')} for {len(columns)} unknowns"
        return Ratio(name=name, reason=f"{few}; it takes {ADJUST_EVENTS} for each")
    try:
        fit = rate_regression(
            strata.events[informative],
            strata.days[informative],
            design,
            strata.site[informative],
            names=columns,
            left_out=True,
            degrees=min(of_each) - 1,
        )
    except OverlapError as error:
        alike = " and ".join(each for each in (error.name, *error.others) if each not in columns[:2])
        why = f"“{alike}” go together in these records" if alike else "the type goes with sun, color or age"
        return Ratio(name=name, reason=f"{why}, so they cannot be told apart")
    except ValueError as error:
        return Ratio(name=name, reason=f"it could not be calculated ({error})")
    if isinf(fit.std_error[1]):
        return Ratio(name=name, reason="it would rest on one site alone")
    return Ratio(name=name, ratio=float(fit.ratio[1]), low=float(fit.low[1]), high=float(fit.high[1]))


def _with_failures(strata: Strata) -> Any:
    """Mask of rows whose sun, color and age each have a failure: others have a rate of zero for any type."""
    informative = np.ones(strata.days.size, dtype=np.bool_)
    for trait in TRAITS:
        place = getattr(strata, trait)
        failed = np.bincount(place, weights=strata.events, minlength=len(strata.names(trait)))
        informative &= failed[place] > 0
    return informative


def _design(strata: Strata, informative: Any) -> tuple[Any, list[str]]:
    """Design matrix: intercept, type, and indicators of each class of a trait but the most common."""
    columns = [np.ones(int(informative.sum())), (strata.which[informative] == 0).astype(np.float64)]
    names = ["rate", "type"]
    for trait in TRAITS:
        place = getattr(strata, trait)[informative]
        days = np.bincount(place, weights=strata.days[informative], minlength=len(strata.names(trait)))
        for number in np.flatnonzero(days):
            if number != int(np.argmax(days)):
                columns.append((place == number).astype(np.float64))
                names.append(strata.names(trait)[int(number)])
    return np.stack(columns, axis=1), names
