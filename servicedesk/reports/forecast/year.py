"""Twelve-month forecast of the failures of one type of part, with prediction intervals.

This module imports no Django.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.histories import CountingRows, Histories, Window
from servicedesk.reports.numerics.prediction.delays import Delays
from servicedesk.reports.numerics.prediction.forecast import (
    Prediction,
    draw_counts,
    predict_count,
    predict_counts,
)
from servicedesk.reports.numerics.prediction.years import YearsApart, years_apart
from servicedesk.reports.numerics.survival.intensity import FittedIntensity, Spans, fit_intensity
from servicedesk.reports.questions.judgements import (
    DAYS_PER_YEAR,
    FIT_CURVE_FAILURES,
    FORECAST_FAILURES,
    TEST_SITES,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MONTHS: Final = 12
MONTH: Final = DAYS_PER_YEAR / MONTHS
MOST_YEARS: Final = 60
"""Most years of records that are kept apart."""

LATE_DAYS: Final = np.array([0, 7, 14, 28, 56, 91, 182, 365])
"""Days before the records were read that bound the intervals within which the share of failures not recorded
yet is taken as constant."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Past:
    """Fitted past of one type, from which its forecast is made.

    Attributes
    ----------
    events, years : float
        Failures and item-years at risk, including those of items of unknown age.
    effect : float
        Inflation of the variance by shared sites.
    completed : float
        The share of the item-years whose failures are known by now.
    fitted : FittedIntensity or None
        Failure intensity by age, where there are enough failures.
    apart : YearsApart
        Variance and trend between years.
    seen, trended : ndarray
        Failures by year, the last one first, and those expected by the fit and the trend.
    """

    events: float
    years: float
    effect: float = 1.0
    completed: float = 1.0
    fitted: FittedIntensity | None = None
    apart: YearsApart = field(default_factory=YearsApart)
    seen: Floats = field(default_factory=lambda: np.zeros(0))
    trended: Floats = field(default_factory=lambda: np.zeros(0))

    @property
    def bunched(self) -> float:
        """Variance inflation of a count at a known rate, from clustering in time.

        The variance between years includes it; with too few failures for that, the design effect of the
        sites is used.
        """
        return self.effect if self.events < FIT_CURVE_FAILURES else 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class YearForecast:
    """Predictions for the twelve months, for each of them, and for one van's share of the hardest.

    ``doubt`` is the variance of the mean of the twelve months.
    """

    year: Prediction
    months: tuple[Prediction, ...]
    van: Prediction
    doubt: float


def read_past(
    histories: Histories | None,
    window: Window,
    *,
    events: int,
    years: float,
    effect: float,
    delays: Delays | None = None,
    known_on: int | None = None,
) -> Past:
    """Fit intensity by age and variance between years of one type, where there are enough failures.

    Parameters
    ----------
    histories
        Parts of the type whose age is known; None where there are none.
    window
        The days that count.
    events, years, effect
        As in `Past`.
    delays, known_on
        Reporting delays, and the day up to which failures are recorded.
    """
    if histories is None or not histories.item.size:
        return Past(events=events, years=years, effect=effect)
    rows = histories.counting_rows(window)
    spans, year = _cut(rows, _fitted(histories, rows), window, delays, known_on or window.last)
    time = spans.stop - spans.start
    completed = float((time * spans.weight).sum() / time.sum()) if time.size else 1.0
    fitted, enough = None, int(rows.event.sum()) >= FIT_CURVE_FAILURES
    if enough and np.unique(rows.site).size >= TEST_SITES:
        try:
            fitted = fit_intensity(spans, design_effect=effect)
        except ValueError:
            fitted = None
    past = Past(events=events, years=years, effect=effect, completed=completed, fitted=fitted)
    if not enough:
        return past
    grown = fitted.best.between(spans.start, spans.stop) if fitted else time
    expected = np.bincount(year, weights=grown * spans.weight).astype(np.float64)
    seen = np.bincount(year, weights=spans.events).astype(np.float64)
    expected *= seen.sum() / expected.sum()
    apart = years_apart(seen, expected)
    return replace(past, apart=apart, seen=seen, trended=apart.trended(expected))


def forecast_year(past: Past, ages: Floats, *, items: int, counts: Floats, vans: int = 1) -> YearForecast:
    """Predict the twelve months; items of unknown age are taken to fail like the others.

    Parameters
    ----------
    past
        Past of the type.
    ages
        Ages in days of the items in place whose age is known.
    items
        Number of all items in place.
    counts
        Past failures by month of the year, in the order of the forecast months.
    vans
        Number of vans that share the failures.
    """
    year, spread, doubt = _year_ahead(past, ages, items=items)
    mean, between, bunched = year.mean, past.apart.ahead, past.bunched
    relative = between + (doubt / mean**2 if mean else 0.0)
    weights = spread * counts
    shares = mean * weights / weights.sum()
    hardest = int(np.argmax(shares))
    # Each month, and a van's share of the hardest; the uncertainty of the season adds to the variance.
    numbers, more = np.append(shares, shares[hardest] / vans), 1 / np.append(counts, counts[hardest])
    *months, van = predict_counts(numbers, bunched * numbers + (relative + more) * numbers**2)
    return YearForecast(year=year, months=tuple(months), van=van, doubt=doubt)


def _year_ahead(past: Past, ages: Floats, *, items: int) -> tuple[Prediction, Floats, float]:
    """Prediction of the whole year, the share of each month by age alone, and the variance of the mean."""
    between, times, bunched = past.apart.ahead, past.apart.times, past.bunched
    evenly = np.full(MONTHS, 1 / MONTHS)
    if past.fitted is None or not ages.size:
        number = past.events + 0.5
        mean = times * number * items / (past.years * past.completed)
        doubt = past.effect * mean**2 / number
        return predict_count(mean, bunched * mean + doubt + between * mean**2), evenly, doubt
    ends = ages + MONTH * np.arange(MONTHS + 1)[:, np.newaxis]
    grown = np.diff(past.fitted.best.by_age(ends).sum(axis=1))
    times *= items / ages.size
    mean = float(grown.sum()) * times
    drawn = past.fitted.drawn_means(ages, DAYS_PER_YEAR) * times
    year = draw_counts(mean, drawn, variance=bunched * mean, between=between)
    return year, grown / grown.sum() if grown.sum() > 0 else evenly, float(drawn.var())


def as_of(histories: Histories, day: int) -> Histories:
    """Histories as they were on an earlier day, as if all failures up to it had been recorded."""
    begun = histories.fitted + histories.entry < day
    names = ("item", "group", "site", "fitted", "entry")
    spans = {name: getattr(histories, name)[begun] for name in names}
    ends = np.minimum(histories.exit[begun], day - spans["fitted"])
    place = np.searchsorted(histories.item, histories.event_item)
    happened = histories.fitted[place] + histories.event_age <= day
    happened &= np.isin(histories.event_item, spans["item"])
    names = ("event_item", "event_age", "event_mode", "event_count", "event_good")
    events = {name: getattr(histories, name)[happened] for name in names}
    return replace(histories, **spans, exit=ends, **events)


@dataclass(frozen=True, kw_only=True)
class YearAgo:
    """Backtest: prediction interval of a year ago, and the failures that came."""

    low: int
    high: int
    came: int


def backtest(histories: Histories, window: Window, *, effect: float) -> YearAgo | None:
    """Backtest of a forecast made a year ago for the items of known age in place then.

    None where failures were too few for an interval then, or nothing was in place.
    """
    day = int(window.last - DAYS_PER_YEAR)
    then = as_of(histories, day)
    window_then = Window(window.after, day)
    if day <= window.after or not then.item.size:
        return None
    rows = then.counting_rows(window_then)
    events, years = int(rows.event.sum()), float((rows.stop - rows.start).sum()) / DAYS_PER_YEAR
    in_place = (histories.fitted + histories.entry < day) & (histories.fitted + histories.exit > day)
    ages = (day - histories.fitted[in_place]).astype(np.float64)
    if events < FORECAST_FAILURES or not ages.size:
        return None
    past = read_past(then, window_then, events=events, years=years, effect=effect)
    year, _, _ = _year_ahead(past, ages, items=ages.size)
    on = histories.fitted[np.searchsorted(histories.item, histories.event_item)] + histories.event_age
    mine = np.isin(histories.event_item, histories.item[in_place]) & (on > day) & (on <= window.last)
    return YearAgo(low=int(year.low), high=int(year.high), came=int(histories.event_count[mine].sum()))


def _fitted(histories: Histories, rows: CountingRows) -> Ints:
    """Ordinal of the day on which the part of each row was fitted."""
    first = np.unique(histories.item, return_index=True)
    place = np.searchsorted(first[0], rows.item)
    fitted: Ints = histories.fitted[first[1][place]]
    return fitted


def _cut(
    rows: CountingRows, fitted: Ints, window: Window, delays: Delays | None, known_on: int
) -> tuple[Spans, Ints]:
    """Cut rows at the ends of years and at `LATE_DAYS`; return the spans and the year of each.

    Years are counted back from the last day that counts.
    """
    late = LATE_DAYS if delays is not None else LATE_DAYS[:1]
    first = float((fitted + rows.start).min()) if fitted.size else window.last
    number = min(int((window.last - first) // DAYS_PER_YEAR) + 1, MOST_YEARS)
    ends = window.last - DAYS_PER_YEAR * np.arange(number)
    cuts = np.unique(np.concatenate([ends, known_on - late, [first]]))
    cuts = cuts[(cuts >= first) & (cuts <= window.last)]
    pieces = [_piece(rows, fitted, low, high) for low, high in pairwise(cuts)]
    lows, highs = cuts[:-1], cuts[1:]
    share = [_known(delays, known_on - high, known_on - low) for low, high in zip(lows, highs, strict=True)]
    year = ((window.last - (lows + highs) / 2) // DAYS_PER_YEAR).astype(np.int64)
    sizes = [piece.start.size for piece in pieces]
    site = np.concatenate([piece.site for piece in pieces])
    places, codes = np.unique(site, return_inverse=True)
    spans = Spans(
        np.concatenate([piece.start for piece in pieces]),
        np.concatenate([piece.stop for piece in pieces]),
        np.concatenate([piece.event for piece in pieces]),
        codes,
        np.repeat(share, sizes),
        places.size,
    )
    return spans, np.repeat(year, sizes)


def _known(delays: Delays | None, begin: float, end: float) -> float:
    """Share of the failures found between two numbers of days ago that are recorded."""
    if delays is None or begin >= LATE_DAYS[-1]:
        return 1.0
    return delays.known_on_average(begin, end)


def _piece(rows: CountingRows, fitted: Ints, low: float, high: float) -> CountingRows:
    """Rows cut to the span between two days."""
    start, stop = np.maximum(rows.start, low - fitted), np.minimum(rows.stop, high - fitted)
    inside = start < stop
    event = np.where(rows.stop <= stop, rows.event, 0)
    return CountingRows(*(each[inside] for each in (start, stop, event, rows.item, rows.site)))
