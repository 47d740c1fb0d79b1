"""Failure rates by time since maintenance, and their trend with it, by self-controlled comparison.

This module imports no Django.
"""

from __future__ import annotations

from calendar import month_name
from dataclasses import dataclass
from math import ceil, isfinite, log
from typing import Any, Final

import numpy as np

from servicedesk.core.values.words import counted
from servicedesk.reports.curves.life_fits import Limits
from servicedesk.reports.histories import Histories, Ints
from servicedesk.reports.maintenance.months import MaintenanceMonths, cut_at_months, month_of
from servicedesk.reports.maintenance.since_maintenance import BANDS, MaintenanceRows
from servicedesk.reports.numerics.counts.conditional_poisson import (
    ConditionalFit,
    fit_conditional,
    fit_conditional_parts,
)
from servicedesk.reports.numerics.counts.jackknife import jackknife_rate
from servicedesk.reports.numerics.counts.rates import stratified_rate_ratio
from servicedesk.reports.questions.judgements import (
    DAYS_PER_YEAR,
    FIT_CURVE_FAILURES,
    STRATA_EVENTS,
    Judged,
    judge_rate,
)

WORTH_WAITING: Final = 20
"""Largest multiple of the present failures for which the number still needed is reported."""

OTHER_MONTHS: Final = "maintenance in another month than the year before, or of some units in another month,"


@dataclass(frozen=True, kw_only=True)
class BandRow:
    """Failures in one band of time since maintenance, and their rate ratio to the first band.

    ``ratio`` is within site, age and month of the year, with its limits; None with ``reason`` where it is
    not known.
    """

    place: int
    name: str
    events: int
    items: int
    sites: int
    years: float
    judged: Judged
    ratio: Limits | None = None
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class SinceMaintenance:
    """Failures by time since maintenance, and their trend with it.

    Attributes
    ----------
    bands
        Failures by band of time since maintenance.
    shape
        Shape of the power law, within site, age and month of the year; None where it is not known.
    faster
        Whether failures clearly come faster the longer the maintenance is ago.
    reason
        Why they do not clearly do so, and what would change it.
    """

    bands: list[BandRow]
    shape: Limits | None
    faster: bool
    reason: str


def read_since_maintenance(rows: MaintenanceRows, visited_on: Ints) -> SinceMaintenance:
    """Compute failures by time since maintenance, and their trend by a conditional Poisson fit.

    Parameters
    ----------
    rows
        Lifetimes by time since maintenance.
    visited_on
        The day of every maintenance visit, as an ordinal.

    Notes
    -----
    Each site, age of the part and month of the year is compared only with itself, so that neither differences
    between sites nor the season are confounded with maintenance.

    References
    ----------
    .. [1] Farrington, C. P. (1995). Relative incidence estimation from case series for vaccine safety
       evaluation. Biometrics 51.
    .. [2] Whitaker, H. J., Farrington, C. P., Spiessens, B. and Musonda, P. (2006). Tutorial in
       biostatistics: the self-controlled case series method. Statistics in Medicine 25.
    """
    months = cut_at_months(rows)
    shape, faster, reason = _shape(rows, months, visited_on)
    return SinceMaintenance(bands=_bands(rows, months), shape=shape, faster=faster, reason=reason)


def visits_on(histories: Histories, *, item: Ints, age: Ints) -> Ints:
    """Days of maintenance visits as ordinals, one a site and day, from the ages of the parts maintained."""
    mine = np.isin(item, histories.item)
    place = np.searchsorted(histories.item, item[mine])
    on = histories.fitted[place] + age[mine]
    days: Ints = np.unique(np.stack([histories.site[place], on]), axis=1)[1]
    return days


def _shape(
    rows: MaintenanceRows, months: MaintenanceMonths, visited_on: Ints
) -> tuple[Limits | None, bool, str]:
    """Shape with its limits, whether it is clearly above one, and else the reason."""
    events = int(rows.event.sum())
    if events < FIT_CURVE_FAILURES:
        few = counted(events, "failure")
        return None, False, f"{few} between maintenance visits; it takes {FIT_CURVE_FAILURES}"
    if months.telling < FIT_CURVE_FAILURES:
        return None, False, _bound_to_season(months.telling, events, visited_on)
    try:
        fit = fit_conditional_parts(
            months.low,
            months.high,
            months.days / (months.high - months.low),
            months.event,
            months.stratum,
            telling=months.telling,
        )
    except ValueError as error:
        return None, False, str(error)[:1].lower() + str(error)[1:].rstrip(".")
    shape = (fit.shape, fit.low, fit.high)
    if fit.low > 1 and isfinite(fit.high):
        return shape, True, ""
    return (
        shape,
        False,
        _season_or_maintenance(visited_on) if _faster_at_first_sight(rows) else _not_clear(fit),
    )


def _bound_to_season(telling: int, events: int, visited_on: Ints) -> str:
    """Words for too few informative failures: maintenance and season are confounded."""
    return (
        f"{telling or 'none'} of {counted(events, 'failure')} came in months of the year in which their site "
        "was watched both sooner and longer after maintenance, so the records can't tell the season from "
        f"maintenance; it takes {FIT_CURVE_FAILURES} ({_usual_month(visited_on)}; {OTHER_MONTHS} would "
        "tell them apart)"
    )


def _season_or_maintenance(visited_on: Ints) -> str:
    """Words for a trend that may be the season."""
    return (
        "more fails the longer ago the maintenance was, but within one month of the year not clearly so, and "
        f"it may be the season ({_usual_month(visited_on)}; {OTHER_MONTHS} would tell the two apart)"
    )


def _not_clear(fit: ConditionalFit) -> str:
    """Words for no clear trend, and the failures that would make one clear at the present estimate."""
    words = "failures do not clearly come faster the longer ago the maintenance was"
    if fit.shape <= 1 or fit.low <= 0:
        return words
    times = (log(fit.shape / fit.low) / log(fit.shape)) ** 2
    more = ceil(fit.events * (times - 1))
    if times > WORTH_WAITING or more < 1:
        return words
    return f"{words}; if they go on as so far, about {counted(more, 'more failure')} would make it clear"


def _usual_month(visited_on: Ints) -> str:
    """Words for the month with most maintenance visits."""
    by_month = np.bincount(month_of(visited_on) % 12, minlength=12)
    most = int(by_month.argmax())
    visits = counted(visited_on.size, "maintenance visit")
    return f"{by_month[most]:,} of {visits} fell into {month_name[most + 1]}"


def _faster_at_first_sight(rows: MaintenanceRows) -> bool:
    """Whether failures come faster with time since maintenance when the season is ignored."""
    try:
        return fit_conditional(rows.start, rows.stop, rows.event, rows.stratum).low > 1
    except ValueError:
        return False


def _bands(rows: MaintenanceRows, months: MaintenanceMonths) -> list[BandRow]:
    """Failures and time by band, each compared with the first within site, age and month."""
    place_of_months = months.band
    within = [_sums_of_months(months, place_of_months == place) for place in range(len(BANDS))]
    sites = np.unique(rows.site)
    band_rows = []
    for place, band in enumerate(rows.in_bands()):
        events, days = _sums_of_sites(band, sites)
        years, number = float(days.sum()) / DAYS_PER_YEAR, int(events.sum())
        watched = int((days > 0).sum())
        ratio, reason = _against_first(within[0], within[place]) if place else (None, "")
        band_rows.append(
            BandRow(
                place=place,
                name=BANDS[place],
                events=number,
                items=int(np.unique(band.item).size),
                sites=watched,
                years=years,
                judged=judge_rate(number, years, sites=watched, wider=_wider(events, days, sites)),
                ratio=ratio,
                reason=reason,
            )
        )
    return band_rows


def _sums_of_sites(rows: MaintenanceRows, sites: Ints) -> tuple[Any, Any]:
    """Failures and days at risk by site."""
    place = np.searchsorted(sites, rows.site)
    return (
        np.bincount(place, weights=rows.event, minlength=sites.size),
        np.bincount(place, weights=rows.stop - rows.start, minlength=sites.size),
    )


def _sums_of_months(months: MaintenanceMonths, mask: Any) -> tuple[Any, Any]:
    """Failures and days at risk of some rows by site, age and month of the year."""
    size = int(months.stratum.max()) + 1 if months.stratum.size else 0
    return (
        np.bincount(months.stratum[mask], weights=months.event[mask], minlength=size),
        np.bincount(months.stratum[mask], weights=months.days[mask], minlength=size),
    )


def _wider(events: Any, days: Any, sites: Any) -> tuple[float, float] | None:
    watched = days > 0
    if not watched.any():
        return None
    rate = jackknife_rate(events[watched], days[watched] / DAYS_PER_YEAR, sites[watched])
    return rate.low, rate.high


def _against_first(first: tuple[Any, Any], band: tuple[Any, Any]) -> tuple[Limits | None, str]:
    """Mantel-Haenszel rate ratio of a band to the first, within site, age and month of the year."""
    both = (first[1] > 0) & (band[1] > 0)
    number = int(first[0][both].sum() + band[0][both].sum())
    if number < STRATA_EVENTS:
        return None, (
            f"{counted(number, 'failure')} in months of the year in which a site had both; "
            f"it takes {STRATA_EVENTS}"
        )
    ratio = stratified_rate_ratio(band[0][both], band[1][both], first[0][both], first[1][both])
    return (ratio.ratio, ratio.low, ratio.high), ""
