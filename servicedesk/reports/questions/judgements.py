"""Least data for a figure to be shown, and the words for its uncertainty.

The estimators compute whatever they are asked; figures with too little data are withheld here, with the
reason that page, command and file all show. This module imports no Django.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from servicedesk.core.values.words import counted
from servicedesk.reports.words import amount

DAYS_PER_YEAR: Final = 365.25
PER: Final = 100
"""Item-years per which rates are shown."""

# Least data for a figure: starting values, chosen so that intervals stay of use.
RATE_YEARS: Final = 5.0
RATE_SITES: Final = 3
COMPARED_SITES: Final = 5
RATE_SPAN: Final = 100.0
"""Largest ratio of a limit to its rate: beyond it one site has nearly all of the time at risk."""
COMPARED_EVENTS: Final = 5
POOLED_GROUPS: Final = 5
POOLED_EVENTS: Final = 10
CURVE_ITEMS: Final = 5
CURVE_SITES: Final = 3
CURVE_INTERVAL_SITES: Final = 5
LIFE_ITEMS: Final = 10
LIFE_FAILURES: Final = 5
LIFE_ROBUST_SITES: Final = 10
FIT_FAILURES: Final = 3
FIT_AGES: Final = 3
FIT_CURVE_FAILURES: Final = 10
FORECAST_FAILURES: Final = 3
STRATA_EVENTS: Final = 6
ADJUST_EVENTS: Final = 10
ADJUST_SITES: Final = 20
TEST_SITES: Final = 5
TEST_EVENTS: Final = 5
TREND_FAILURES: Final = 6
TREND_SITES: Final = 3

SURE: Final = 0.05


@dataclass(frozen=True, kw_only=True)
class Judged:
    """Rate per 100 item-years with its interval, or the reason for none.

    ``low`` and ``high`` are the exact limits of a count; ``wide_low`` and ``wide_high`` allow for items
    sharing a site as well, and are what pages print.
    """

    rate: float | None = None
    low: float | None = None
    high: float | None = None
    wide_low: float | None = None
    wide_high: float | None = None
    reason: str = ""


def judge_rate(events: int, years: float, *, sites: int, wider: tuple[float, float] | None = None) -> Judged:
    """Failure rate of a group with its limits, or the reason for none where the time at risk is too short.

    Parameters
    ----------
    events, years, sites
        Failures, item-years at risk, and number of sites.
    wider
        Cluster-robust limits of failures an item-year; None where sites are not known.

    References
    ----------
    .. [1] Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28.
    """
    if years < RATE_YEARS:
        watched = (
            f"just under {RATE_YEARS:.0f}" if amount(years) == amount(RATE_YEARS) else f"only {amount(years)}"
        )
        return Judged(reason=f"{watched} part-years were watched; a rate takes {RATE_YEARS:.0f} or more")
    if sites < RATE_SITES:
        return Judged(reason=f"watched at {counted(sites, 'site')} only; a rate takes {RATE_SITES} or more")
    from servicedesk.reports.numerics.counts.rates import event_rate

    rate = event_rate(events, years)
    if events and wider is not None and wider[1] > max(RATE_SPAN * rate.rate, rate.high):
        return Judged(reason=f"nearly all of it was watched at one site; a rate takes {RATE_SITES} or more")
    low, high = max((rate.low, rate.high), wider or (0.0, 0.0), key=lambda limits: limits[1] - limits[0])
    return Judged(
        rate=PER * rate.rate,
        low=PER * rate.low,
        high=PER * rate.high,
        wide_low=PER * low,
        wide_high=PER * high,
    )


def caveat(events: int, years: float, judged: Judged) -> str:
    """Sentence on the uncertainty of a rate."""
    if judged.rate is None or judged.wide_low is None or judged.wide_high is None:
        return (
            f"{counted(events, 'failure')} in {amount(years)} part-years; no rate, because {judged.reason}."
        )
    if events == 0:
        return (
            f"No failure in {amount(years)} part-years: the rate may be nothing, or up to "
            f"{amount(judged.wide_high)} per {PER} a year."
        )
    span = f"{amount(judged.wide_low)} to {amount(judged.wide_high)}"
    return (
        f"{counted(events, 'failure')} in {amount(years)} part-years is about {amount(judged.rate)} per "
        f"{PER} a year, but it could be anywhere from {span}."
    )
