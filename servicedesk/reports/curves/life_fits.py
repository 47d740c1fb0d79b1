"""Weibull lifetime of a type: wear-out, the age by which a tenth have failed, and sensitivity to dating.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from servicedesk.core.values.words import counted
from servicedesk.reports.histories import FirstFailures, Floats
from servicedesk.reports.numerics.counts.conditional_poisson import fit_conditional
from servicedesk.reports.numerics.survival.weibull import WeibullFit, fit_weibull
from servicedesk.reports.questions.judgements import FIT_AGES, FIT_CURVE_FAILURES, FIT_FAILURES

Limits = tuple[float, float, float]
"""Estimate with its lower and upper limit."""

TENTH = 0.1


class Reading(StrEnum):
    """Interpretation of a Weibull shape by its interval: how the hazard changes with age."""

    WEARS_OUT = "wears out"
    EARLY = "early failures dominate"
    UNLIKE = "more fail early, but unlike sites alone could make it look so"
    UNKNOWN = "cannot tell wear-out from chance"


class Dating(StrEnum):
    """Dating of a failure between the day on which a part was last known to be good and that of finding."""

    FOUND = "the day they were found"
    MIDDLE = "the middle between last good and found"
    GOOD = "the day they were last good"
    BETWEEN = "somewhere between last good and found"


@dataclass(frozen=True)
class Dated:
    """Shape and age by which a tenth have failed, under one dating of the failures."""

    dating: Dating
    shape: Limits
    tenth: Limits
    reading: Reading


@dataclass(frozen=True, kw_only=True)
class LifeFit:
    """Weibull lifetime of one type, or the reason why there is none.

    Attributes
    ----------
    failures : int
        First failures it rests on.
    shape : tuple or None
        With its likelihood-ratio limits; above one the hazard rises with age.
    reading : Reading
        Interpretation of the shape.
    tenth : tuple or None
        Age in days by which a tenth have failed, with limits; None where that lies beyond the ages at risk.
    ages, shares : tuple
        The fitted share without failure at some ages, where failures are enough for a curve.
    datings : tuple of Dated
        The same under other datings; empty where no failure has a day on which its part was last known to be
        good. ``known_good`` counts those that have one.
    reason : str
        Why there is no fit.

    Notes
    -----
    Sites where parts fail sooner lose them sooner, so the hazard of unlike sites taken together decreases
    with age though it decreases at none of them (Proschan 1963). Early failures are said to dominate only
    where they do within sites too.

    References
    ----------
    .. [1] Proschan, F. (1963). Theoretical explanation of observed decreasing failure rate. Technometrics 5.
    """

    failures: int
    shape: Limits | None = None
    reading: Reading = Reading.UNKNOWN
    tenth: Limits | None = None
    ages: tuple[float, ...] = ()
    shares: tuple[float, ...] = ()
    datings: tuple[Dated, ...] = ()
    known_good: int = 0
    reason: str = ""

    @property
    def hangs_on_dating(self) -> bool:
        """Whether another dating changes the reading."""
        return any(dated.reading != self.reading for dated in self.datings)


def life_fit(lifetimes: FirstFailures, *, start: float, stop: float, datings: bool = True) -> LifeFit:
    """Fit a Weibull lifetime to first failures, where there are enough.

    Parameters
    ----------
    lifetimes
        First failures of parts of one type.
    start, stop
        The ages over which enough parts were at risk: nothing is reported for older ones.
    datings
        Whether to fit again under other datings.

    Returns
    -------
    LifeFit
    """
    failures = int(lifetimes.failed.sum())
    if failures < FIT_FAILURES:
        counts = counted(failures, "first failure")
        return LifeFit(failures=failures, reason=f"{counts}; a life takes {FIT_FAILURES} or more")
    if np.unique(lifetimes.exit[lifetimes.failed]).size < FIT_AGES:
        return LifeFit(failures=failures, reason=f"failures at fewer than {FIT_AGES} different ages")
    try:
        fit = fit_weibull(lifetimes.entry, lifetimes.exit, lifetimes.failed)
    except ValueError as error:
        return LifeFit(failures=failures, reason=str(error))
    shape = _shape(fit)
    tenth = _tenth(fit)
    ages = np.linspace(start, stop, 41) if failures >= FIT_CURVE_FAILURES else np.zeros(0)
    return LifeFit(
        failures=failures,
        shape=shape,
        reading=_read(shape, lifetimes, lifetimes.exit),
        tenth=tenth if tenth[0] <= stop else None,
        ages=tuple(ages.tolist()),
        shares=tuple(_shares(fit, ages, start=start)),
        datings=_datings(lifetimes, fit) if datings else (),
        known_good=int(np.isfinite(lifetimes.good[lifetimes.failed]).sum()),
    )


def read_shape(low: float, high: float, *, early_within: Callable[[], bool]) -> Reading:
    """Interpret the interval of a Weibull shape.

    Where early failures seem to dominate, ``early_within`` returns whether they do so within sites.
    """
    if low > 1:
        return Reading.WEARS_OUT
    if high >= 1:
        return Reading.UNKNOWN
    return Reading.EARLY if early_within() else Reading.UNLIKE


def _read(shape: Limits, lifetimes: FirstFailures, exit: Floats) -> Reading:
    """Interpret a shape fitted to lifetimes with exits ``exit``."""

    def early_within() -> bool:
        try:
            # Where the records do not bound the shape, powers of young ages underflow.
            with np.errstate(invalid="ignore", divide="ignore"):
                return fit_conditional(lifetimes.entry, exit, lifetimes.failed, lifetimes.site).high < 1
        except ValueError:  # no shape within sites describes them
            return False

    return read_shape(*shape[1:], early_within=early_within)


def _shape(fit: WeibullFit) -> Limits:
    return fit.shape, fit.shape_low, fit.shape_high


def _tenth(fit: WeibullFit) -> Limits:
    quantile = fit.quantile(TENTH)
    return float(quantile), quantile.low, quantile.high


def _shares(fit: WeibullFit, ages: Floats, *, start: float) -> list[float]:
    """Fitted survival at some ages, given survival to ``start``."""
    hazard = (ages / fit.scale) ** fit.shape - (start / fit.scale) ** fit.shape
    return [float(share) for share in np.exp(-hazard)]


def _datings(lifetimes: FirstFailures, fit: WeibullFit) -> tuple[Dated, ...]:
    """Fits under all datings of the failures, empty where no failure has an earlier date."""
    loose = lifetimes.failed & np.isfinite(lifetimes.good)
    if not loose.any():
        return ()
    rows = [Dated(Dating.FOUND, _shape(fit), _tenth(fit), _read(_shape(fit), lifetimes, lifetimes.exit))]
    good = np.where(loose, lifetimes.good, lifetimes.exit)
    # At the earliest half a day after entry: a failure needs some time at risk.
    earliest = np.where(loose, np.maximum(good, lifetimes.entry + 0.5), lifetimes.exit)
    middle = (earliest + lifetimes.exit) / 2
    for dating, exit in ((Dating.MIDDLE, middle), (Dating.GOOD, earliest)):
        rows += _refit(dating, lifetimes, exit, within=exit)
    last_good = np.where(loose, lifetimes.good, np.nan)
    rows += _refit(Dating.BETWEEN, lifetimes, lifetimes.exit, last_good=last_good, within=middle)
    return tuple(rows)


def _refit(
    dating: Dating, lifetimes: FirstFailures, exit: Floats, *, within: Floats, last_good: Floats | None = None
) -> list[Dated]:
    """Fit under one dating, empty where no Weibull lifetime describes the records so dated.

    ``within`` dates the failures for the shape within sites.
    """
    try:
        fit = fit_weibull(lifetimes.entry, exit, lifetimes.failed, last_good=last_good)
    except ValueError:
        return []
    return [Dated(dating, _shape(fit), _tenth(fit), _read(_shape(fit), lifetimes, within))]
