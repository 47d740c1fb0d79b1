"""Forecast of failures, pieces and stock of the next twelve months, by type and month."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any

import numpy as np

from servicedesk.core.values.words import counted
from servicedesk.reports.curves.shown_ages import ShownAges, shown_ages
from servicedesk.reports.forecast.late_records import late_words, read_delays
from servicedesk.reports.forecast.seasons import month_after, seasons_of
from servicedesk.reports.forecast.year import MONTHS, Past, YearAgo, backtest, forecast_year, read_past
from servicedesk.reports.histories import Histories, Window
from servicedesk.reports.numerics.prediction.delays import Delays
from servicedesk.reports.numerics.prediction.forecast import Prediction, predict_count
from servicedesk.reports.numerics.prediction.years import years_apart
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.queries.standing import Standing, items_in_place, pieces_used
from servicedesk.reports.questions.judgements import (
    CURVE_ITEMS,
    CURVE_SITES,
    DAYS_PER_YEAR,
    FIT_CURVE_FAILURES,
    FORECAST_FAILURES,
)
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import Key
from servicedesk.reports.rates.figure import RateRow, RatesFigure, rates_figure
from servicedesk.reports.words import amount, percent

BY_AGE, BY_BAND, STEADY = "by age", "by age band", "at the rate so far"
"""Methods of the forecast: from the ages of the items in place, or from the rate of the past."""


@dataclass(frozen=True, kw_only=True)
class Assumptions:
    """Planning assumptions of a forecast.

    ``level`` is the service level of the stock, ``vans`` the number of vans that carry stock, and
    ``warranty`` the years from fitting during which a failure is under warranty.
    """

    level: float = 0.95
    vans: int = 2
    warranty: float = 5.0


@dataclass(frozen=True, kw_only=True)
class Expected:
    """Expected count with its 95 % prediction interval.

    With few failures only the upper limit is known; with no time at risk nothing is.
    """

    mean: float | None = None
    low: int | None = None
    high: int | None = None


@dataclass(frozen=True, kw_only=True)
class ForecastRow:
    """Forecast of one type of part.

    ``events``, ``sites`` and ``years`` are those of the past; ``items`` are in place now, ``ageless`` of them
    of unknown age. ``pieces_each`` is the mean number of pieces a failure took so far (None: none were
    recorded), ``shelf`` the stock for the year, ``van`` that of each van for its hardest month. ``year_ago``
    is the backtest of a year ago, ``notes`` are caveats on the numbers, ``trend`` is the factor of a trend
    over the years. ``in_warranty`` is the share of the predicted failures under warranty, and ``beyond`` the
    share of the forecast time at ages with too little time at risk so far.
    """

    key: Key
    name: str
    family: str
    events: int
    sites: int
    years: float
    items: int
    ageless: int
    method: str
    year: Expected
    months: tuple[Expected, ...]
    pieces_each: float | None
    pieces: float | None
    shelf: int | None
    van: int | None
    in_warranty: float | None
    beyond: float | None
    reason: str = ""
    year_ago: YearAgo | None = None
    notes: tuple[str, ...] = ()
    trend: float = 1.0

    @property
    def remarks(self) -> tuple[str, ...]:
        """Caveats on the numbers, and the backtest of a year ago."""
        then = self.year_ago
        if then is None:
            return self.notes
        remark = f"asked a year ago it would have said {then.low:,} to {then.high:,}; it was {then.came:,}"
        return (*self.notes, remark)


@dataclass(frozen=True, kw_only=True)
class ForecastFigure:
    """Forecast by type and of all types together; ``late`` is the sentence on late records."""

    selection: Selection
    assumptions: Assumptions
    rows: list[ForecastRow]
    months: list[date]
    whole: Expected | None
    whole_months: tuple[Expected, ...]
    exclusions: dict[str, int]
    late: str

    @property
    def items(self) -> int:
        """Number of items in place."""
        return sum(row.items for row in self.rows)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Computed:
    """Forecast row with the past it rests on."""

    row: ForecastRow
    past: Past
    doubt: float = 0.0


def forecast_figure(
    selection: Selection,
    assumptions: Assumptions,
    *,
    rates: RatesFigure | None = None,
    histories: Histories | None = None,
) -> ForecastFigure:
    """Compute the forecast of the twelve months after the day on which the records are read.

    The rates and ``histories`` of all types of the selection, by type, may be known from before.
    """
    if rates is None:
        rates = rates_figure(selection, by="component")
    if histories is None:
        histories = read_histories(selection, by="component")
    window = Window(selection.after.toordinal() if selection.after else 0, selection.last.toordinal())
    standing: dict[Any, list[Standing]] = defaultdict(list)
    for each in items_in_place(Scope(selection, "component")):
        standing[each.group].append(each)
    pieces = pieces_used(Scope(selection, "component"))
    seasons = seasons_of(histories, rates.rows, window, last=selection.last)
    delays, known_on = read_delays(selection)
    reckon = partial(
        _reckon,
        assumptions=assumptions,
        window=window,
        delays=delays,
        known_on=known_on,
        today=selection.as_of,
    )
    computed = [
        reckon(
            row,
            histories.of_group(place) if (place := histories.place(row.key)) >= 0 else None,
            standing[row.key],
            effect=rates.design_effects[row.family],
            season=seasons[row.family],
            pieces=pieces.get(row.key, {}),
        )
        for row in rates.rows
        if standing[row.key]
    ]
    rows = [each.row for each in computed]
    whole, whole_months = _together(computed, effect=rates.design_effect, seasons=seasons)
    return ForecastFigure(
        selection=selection,
        assumptions=assumptions,
        rows=rows,
        months=[month_after(selection.as_of, number) for number in range(MONTHS)],
        whole=whole,
        whole_months=whole_months,
        exclusions=rates.exclusions,
        late=late_words(delays),
    )


def _reckon(
    rate: RateRow,
    histories: Histories | None,
    standing: Sequence[Standing],
    *,
    effect: float,
    season: np.ndarray,
    pieces: dict[int, int],
    assumptions: Assumptions,
    window: Window,
    delays: Delays | None,
    known_on: int,
    today: date,
) -> _Computed:
    """Forecast of one type."""
    known = [each for each in standing if each.age_known]
    items, of_known_age = sum(each.items for each in standing), sum(each.items for each in known)
    ages = np.repeat(
        [today.toordinal() - each.fitted for each in known], [each.items for each in known]
    ).astype(np.float64)
    past = read_past(
        histories,
        window,
        events=rate.events,
        years=rate.years,
        effect=effect,
        delays=delays,
        known_on=known_on,
    )
    taken = sum(size * number for size, number in pieces.items())
    each = taken / rate.events if taken and rate.events else None
    values: dict[str, Any] = {
        "key": rate.key,
        "name": rate.name,
        "family": rate.family,
        "events": rate.events,
        "sites": rate.sites,
        "years": rate.years,
        "items": items,
        "ageless": items - of_known_age,
        "method": _method(past, ages),
        "beyond": _beyond(ages, _shown(histories, window)),
        "pieces_each": each,
    }
    if not rate.years:
        return _Computed(row=_nothing_known(values, "none of them was watched before"), past=past)
    counts = np.array([season[month_after(today, number).month - 1] for number in range(MONTHS)])
    outlook = forecast_year(past, ages, items=items, counts=counts, vans=assumptions.vans)
    thin = rate.events < FORECAST_FAILURES
    if thin:
        values["reason"] = (
            f"{counted(rate.events, 'failure')} so far; a forecast takes {FORECAST_FAILURES} or more"
        )
    # Failures without recorded pieces count as repaired without any.
    by_pieces = pieces | {0: max(rate.events - sum(pieces.values()), 0)}
    shelf, van = (
        None if each is None else prediction.pieces_for(assumptions.level, by_pieces)
        for prediction in (outlook.year, outlook.van)
    )
    row = ForecastRow(
        **values,
        year=_expected(outlook.year, thin=thin),
        months=tuple(_expected(month, thin=thin) for month in outlook.months),
        pieces=None if each is None or thin else each * outlook.year.mean,
        shelf=shelf,
        van=van,
        in_warranty=_in_warranty(past, ages, assumptions) if ages.size and not thin else None,
        year_ago=None if histories is None else backtest(histories, window, effect=effect),
        notes=() if thin else tuple(_notes(past)),
        trend=past.apart.times,
    )
    return _Computed(row=row, past=past, doubt=outlook.doubt)


def _method(past: Past, ages: np.ndarray) -> str:
    if past.fitted is None or not ages.size:
        return STEADY
    return BY_BAND if past.fitted.best.rates.size else BY_AGE


def _notes(past: Past) -> Iterator[str]:
    """Iterate over the caveats on the numbers of one type."""
    apart = past.apart
    if past.events >= FIT_CURVE_FAILURES and apart.years < 2:
        yield (
            f"the records are worth {amount(apart.years)} years, and it takes two to say how much years "
            "differ: the range takes them to be equal"
        )
    if apart.rise:
        way = "risen" if apart.rise > 0 else "fallen"
        yield f"failures have {way} by about {percent(abs(apart.rise))} a year beyond what age explains"
    if past.completed < 0.995:
        yield f"about {percent(1 - past.completed)} of the time so far has failures nobody wrote down yet"


def _shown(histories: Histories | None, window: Window) -> ShownAges | None:
    """Range of ages with enough parts at risk."""
    if histories is None:
        return None
    rows = histories.counting_rows(window)
    return shown_ages(
        rows.start, rows.stop, rows.site, to_start=CURVE_ITEMS, to_go_on=CURVE_ITEMS, sites=CURVE_SITES
    )


def _nothing_known(values: dict[str, Any], reason: str) -> ForecastRow:
    """Row of a type without time at risk: no number is known."""
    unknown = Expected()
    return ForecastRow(
        **values,
        reason=reason,
        year=unknown,
        months=(unknown,) * MONTHS,
        pieces=None,
        shelf=None,
        van=None,
        in_warranty=None,
    )


def _expected(prediction: Prediction, *, thin: bool) -> Expected:
    """Mean and limits of a prediction; with few failures only the upper limit."""
    if thin:
        return Expected(high=int(prediction.high))
    return Expected(mean=prediction.mean, low=int(prediction.low), high=int(prediction.high))


def _beyond(ages: np.ndarray, shown: ShownAges | None) -> float | None:
    """Share of the forecast time at ages with too little time at risk so far."""
    if ages.size == 0:
        return None
    if shown is None:
        return 1.0
    past_it = np.clip(ages + DAYS_PER_YEAR - np.maximum(ages, shown.stop), 0, DAYS_PER_YEAR)
    return float(past_it.sum()) / (ages.size * DAYS_PER_YEAR)


def _in_warranty(past: Past, ages: np.ndarray, assumptions: Assumptions) -> float:
    """Share of the predicted failures under warranty."""
    left = np.clip(assumptions.warranty * DAYS_PER_YEAR - ages, 0, DAYS_PER_YEAR)
    if past.fitted is None:
        return float(left.sum()) / (ages.size * DAYS_PER_YEAR)
    best = past.fitted.best
    whole = float(best.between(ages, ages + DAYS_PER_YEAR).sum())
    return float(best.between(ages, ages + left).sum()) / whole if whole else 0.0


def _together(
    computed: Sequence[_Computed], *, effect: float, seasons: Mapping[str, np.ndarray]
) -> tuple[Expected | None, tuple[Expected, ...]]:
    """Forecast of all types together, with types of too few failures at their pooled rate."""
    rows = [each.row for each in computed]
    known = [each for each in computed if each.row.year.mean is not None]
    if not known:
        return None, ()
    # Types with too few failures for a forecast of their own are pooled at their common rate.
    thin = [row for row in rows if row.year.mean is None and row.years]
    past, ahead = sum(row.years for row in thin), sum(row.items for row in thin)
    few = sum(row.events for row in thin)
    rest = few * ahead / past if past else 0.0
    doubt = sum(each.doubt for each in known) + (effect * rest**2 / few if few else 0.0)
    apart = years_apart(
        *(_by_year([getattr(each.past, name) for each in known]) for name in ("seen", "trended"))
    )
    bunched = effect if sum(row.events for row in rows) < FIT_CURVE_FAILURES else 1.0
    season = sum(seasons.values(), np.zeros(MONTHS))
    whole = sum(each.row.year.mean or 0.0 for each in known) + rest
    relative = apart.ahead + (doubt / whole**2 if whole else 0.0)

    def of(mean: float, more: float) -> Expected:
        prediction = predict_count(mean, bunched * mean + (relative + more) * mean**2)
        return _expected(prediction, thin=False)

    means = [
        sum(each.row.months[number].mean or 0.0 for each in known) + rest / MONTHS for number in range(MONTHS)
    ]
    months = tuple(of(mean, MONTHS / season.sum()) for mean in means)
    return of(whole, 0.0), months


def _by_year(columns: Sequence[np.ndarray]) -> np.ndarray:
    """Sum of arrays of different lengths, aligned at their first element."""
    total = np.zeros(max(column.size for column in columns))
    for column in columns:
        total[: column.size] += column
    return total
