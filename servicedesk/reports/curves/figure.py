"""Figures of the mean cumulative function and of survival by age, for page, file and command."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicedesk.core.values.words import counted
from servicedesk.reports.curves.life_fits import LifeFit, life_fit
from servicedesk.reports.curves.shown_ages import ShownAges, shown_ages
from servicedesk.reports.histories import CountingRows, FirstFailures, Histories, Window
from servicedesk.reports.numerics.survival.curves import SurvivalCurve, kaplan_meier
from servicedesk.reports.numerics.survival.recurrence import mean_cumulative
from servicedesk.reports.queries.cells import read_cells
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.questions.asking import RECURRENCE
from servicedesk.reports.questions.judgements import (
    CURVE_INTERVAL_SITES,
    CURVE_ITEMS,
    CURVE_SITES,
    DAYS_PER_YEAR,
    LIFE_FAILURES,
    LIFE_ITEMS,
    LIFE_ROBUST_SITES,
    Judged,
    judge_rate,
)
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import MODE, Key
from servicedesk.reports.rates.figure import exclusions, group_names
from servicedesk.reports.rates.trends import TrendReading, read_trend
from servicedesk.reports.words import years

Floats = NDArray[np.float64]

NEVER_ENOUGH = (
    f"at no age {CURVE_ITEMS} or more parts at {CURVE_SITES} or more sites were watched, which a curve takes"
)


@dataclass(frozen=True, kw_only=True)
class Curve:
    """Curve over age, counted from ``start`` and known up to ``stop`` (ages in days).

    ``value`` is the mean number of failures, or the share without failure, from each age in ``age`` on.
    Without ``low`` and ``high`` there are too few sites for an interval.
    """

    start: float
    stop: float
    age: Floats
    at_risk: NDArray[np.int64]
    events: NDArray[np.int64]
    value: Floats
    std_error: Floats | None
    low: Floats | None
    high: Floats | None

    def at(self, age: float) -> tuple[float, float | None, float | None] | None:
        """Value of the curve at an age, with its limits; None outside the ages it is known for."""
        if not self.start <= age <= self.stop:
            return None
        step = int(np.searchsorted(self.age, age, side="right")) - 1
        if step < 0:
            return None
        limits = [_or_none(column, step) for column in (self.low, self.high)]
        return float(self.value[step]), limits[0], limits[1]


def _or_none(column: Floats | None, step: int) -> float | None:
    if column is None or not np.isfinite(column[step]):
        return None
    return float(column[step])


@dataclass(frozen=True, kw_only=True)
class CurveRow:
    """Row of one group: its curve, or the reason why there is none.

    ``note`` qualifies a curve that is shown; ``ages`` lists ages at first failure where they are too few for
    a curve; ``half`` is the median lifetime with its limits; ``life`` is the Weibull lifetime fitted to first
    failures, ``trend`` the trend of recurrent failures with age.
    """

    key: Key | None
    name: str
    family: str
    events: int
    items: int
    sites: int
    years: float
    judged: Judged
    curve: Curve | None
    reason: str = ""
    note: str = ""
    ages: list[float] = field(default_factory=list)
    half: tuple[float, float | None, float | None] | None = None
    life: LifeFit | None = None
    trend: TrendReading | None = None


@dataclass(frozen=True, kw_only=True)
class CurvesFigure:
    """Curves by group, and the counts of excluded records."""

    name: str
    selection: Selection
    by: str
    rows: list[CurveRow]
    exclusions: dict[str, int]

    @property
    def shown(self) -> list[CurveRow]:
        """The rows that have a curve."""
        return [row for row in self.rows if row.curve is not None]


def curves_figure(
    selection: Selection,
    *,
    name: str,
    by: str = "component",
    histories: Histories | None = None,
    datings: bool = True,
) -> CurvesFigure:
    """Compute a curve over age for every group in a selection; ``histories`` may have been read before.

    Without ``datings`` lifetimes are fitted once, with failures dated to the day on which they were found.
    """
    if histories is None:
        histories = read_histories(selection, by=by)
    window = Window(selection.after.toordinal() if selection.after else 0, selection.last.toordinal())
    groups = _each_group(histories, by=by)
    names = group_names([key for key, _ in groups], by=by)
    make = _recurrence_row if name == RECURRENCE else partial(_survival_row, datings=datings)
    rows = [
        make(mine, key, family, words, window)
        for (key, mine), (family, words) in zip(groups, names, strict=True)
    ]
    cells = read_cells(selection, by="")
    excluded = exclusions(cells)
    known = histories.counting_rows(window).event.sum()
    excluded["age_unknown_events"] = int(cells.events.sum() - known)
    return CurvesFigure(
        name=name,
        selection=selection,
        by=by,
        rows=sorted(
            (row for row in rows if row.items),
            key=lambda row: (row.family, row.key is None, row.name.casefold()),
        ),
        exclusions=excluded,
    )


def _each_group(histories: Histories, *, by: str) -> list[tuple[Any, Histories]]:
    """Histories of each group; for failure modes, the same parts with the failures of each mode."""
    groups = [(key, histories.of_group(place)) for place, key in enumerate(histories.groups)]
    if by != MODE:
        return groups
    return [
        (f"{kind}:{mode}", mine.of_mode(int(mode)))
        for kind, mine in groups
        for mode in np.unique(mine.event_mode)
    ]


def _recurrence_row(histories: Histories, key: Any, family: str, name: str, window: Window) -> CurveRow:
    rows = histories.counting_rows(window)
    base = _base(key, family, name, rows.start, rows.stop, rows.item, rows.site, int(rows.event.sum()))
    ages = shown_ages(
        rows.start, rows.stop, rows.site, to_start=CURVE_ITEMS, to_go_on=CURVE_ITEMS, sites=CURVE_SITES
    )
    trend = read_trend(rows)
    if ages is None:
        return CurveRow(**base, curve=None, reason=NEVER_ENOUGH, trend=trend)
    shown = rows.between(ages.start, ages.stop)
    return CurveRow(**base, **_mean_curve(shown, ages), trend=trend)


def _mean_curve(rows: CountingRows, ages: ShownAges) -> dict[str, Any]:
    """Mean cumulative function over the ages that may be shown."""
    estimate = mean_cumulative(rows.start, rows.stop, rows.event, rows.item, cluster=rows.site)
    sure = estimate.clusters >= CURVE_INTERVAL_SITES
    curve = Curve(
        start=ages.start,
        stop=ages.stop,
        age=estimate.time,
        at_risk=estimate.at_risk,
        events=estimate.events,
        value=estimate.mean,
        std_error=estimate.std_error if sure else None,
        low=estimate.low if sure else None,
        high=estimate.high if sure else None,
    )
    notes = [f"counted from age {years(ages.start)}, where enough were watched"] if ages.start else []
    if not sure:
        notes.append(
            f"no interval, because it takes {CURVE_INTERVAL_SITES} sites and these are {estimate.clusters}"
        )
    return {"curve": curve, "note": "; ".join(notes)}


def _survival_row(
    histories: Histories, key: Any, family: str, name: str, window: Window, *, datings: bool
) -> CurveRow:
    lifetimes = histories.first_failures(window)
    base = _base(
        key,
        family,
        name,
        lifetimes.entry,
        lifetimes.exit,
        lifetimes.item,
        lifetimes.site,
        int(lifetimes.failed.sum()),
    )
    ages = shown_ages(
        lifetimes.entry,
        lifetimes.exit,
        lifetimes.site,
        to_start=LIFE_ITEMS,
        to_go_on=CURVE_ITEMS,
        sites=CURVE_SITES,
    )
    failed_at = sorted(float(age) for age in lifetimes.exit[lifetimes.failed])
    if ages is None:
        return CurveRow(**base, curve=None, reason=NEVER_ENOUGH, ages=failed_at)
    fit = life_fit(lifetimes, start=ages.start, stop=ages.stop, datings=datings)
    seen = lifetimes.failed & (lifetimes.exit > ages.start) & (lifetimes.exit <= ages.stop)
    if seen.sum() < LIFE_FAILURES:
        reason = (
            f"{counted(int(seen.sum()), 'first failure')} while enough were watched; "
            f"a curve takes {LIFE_FAILURES}"
        )
        return CurveRow(**base, curve=None, reason=reason, ages=failed_at, life=fit)
    return CurveRow(**base, **_life_curve(lifetimes, ages), life=fit)


def _life_curve(lifetimes: FirstFailures, ages: ShownAges) -> dict[str, Any]:
    """Kaplan-Meier survival over the ages that may be shown."""
    entered = lifetimes.entry < ages.stop
    exit = np.minimum(lifetimes.exit, ages.stop)[entered]
    failed = (lifetimes.failed & (lifetimes.exit <= ages.stop))[entered]
    at_risk = exit > np.maximum(lifetimes.entry[entered], ages.start)
    sites = np.unique(lifetimes.site[entered][at_risk]).size
    robust = sites >= LIFE_ROBUST_SITES
    estimate = kaplan_meier(
        lifetimes.entry[entered],
        exit,
        failed,
        cluster=lifetimes.site[entered] if robust else None,
        from_age=ages.start,
    )
    notes = [f"of those without failure at age {years(ages.start)}"] if ages.start else []
    if not robust:
        notes.append(
            f"treats parts as independent, because at {counted(sites, 'site')} nothing can be said about "
            "shared sites"
        )
    return {"curve": _as_curve(estimate, ages), "note": "; ".join(notes), "half": _half(estimate, ages)}


def _as_curve(estimate: SurvivalCurve, ages: ShownAges) -> Curve:
    return Curve(
        start=ages.start,
        stop=ages.stop,
        age=estimate.time,
        at_risk=estimate.at_risk,
        events=estimate.failures,
        value=estimate.survival,
        std_error=estimate.std_error,
        low=estimate.low,
        high=estimate.high,
    )


def _half(estimate: SurvivalCurve, ages: ShownAges) -> tuple[float, float | None, float | None] | None:
    """Median lifetime with its limits, None where the curve or its lower limit does not reach one half."""
    age = estimate.quantile(0.5)
    if not np.isfinite(age) or not np.isfinite(age.low):
        return None
    return float(age), age.low, age.high if np.isfinite(age.high) else None


def _base(
    key: Any, family: str, name: str, start: Floats, stop: Floats, item: Any, site: Any, events: int
) -> dict[str, Any]:
    """Counts, time at risk and rate of a group."""
    time = float((stop - start).sum()) / DAYS_PER_YEAR
    sites = int(np.unique(site).size)
    return {
        "key": key,
        "name": name,
        "family": family,
        "events": events,
        "items": int(np.unique(item).size),
        "sites": sites,
        "years": time,
        "judged": judge_rate(events, time, sites=sites),
    }
