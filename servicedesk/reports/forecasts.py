"""What the next twelve months will take: failures, pieces and stock by type and month."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil, floor
from typing import Any, Final

import numpy as np

from servicedesk.reports.histories import CountingRows, Histories, Window
from servicedesk.reports.judgements import (
    CURVE_ITEMS,
    CURVE_SITES,
    DAYS_PER_YEAR,
    FIT_CURVE_FAILURES,
    FORECAST_FAILURES,
    TEST_SITES,
)
from servicedesk.reports.lifetimes.bootstrap import History
from servicedesk.reports.lifetimes.forecast import (
    Prediction,
    expected_failures,
    fit_repairs,
    predict_events,
)
from servicedesk.reports.lifetimes.trend import PowerLaw
from servicedesk.reports.queries.lives import read_histories
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.queries.standing import Standing, items_in_place, pieces_used
from servicedesk.reports.rate_figures import RateRow, RatesFigure, rates_figure
from servicedesk.reports.selection import Selection
from servicedesk.reports.shown_ages import ShownAges, shown_ages
from servicedesk.reports.traits import Key
from servicedesk.reports.words import counted

MONTHS: Final = 12
MONTH: Final = DAYS_PER_YEAR / MONTHS
EVEN: Final = 2.0
"""Failures that every calendar month is given before the season is read from the records, so that few
failures make no season (our choice, no source)."""

BY_AGE, STEADY = "by age", "at the rate so far"
"""How failures were reckoned: from the ages of the items in place, or from the rate of the past."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the owner plans with.

    ``level`` is the chance that what is kept will do, ``vans`` how many vans carry stock, and ``warranty``
    the years from fitting during which a failure is under warranty.
    """

    level: float = 0.95
    vans: int = 2
    warranty: float = 5.0


@dataclass(frozen=True, kw_only=True)
class Expected:
    """A number to expect, and between which numbers it will lie 95 times in a hundred.

    Of a few failures only the upper end is known, and where nothing was watched nothing is.
    """

    mean: float | None = None
    low: int | None = None
    high: int | None = None


@dataclass(frozen=True, kw_only=True)
class ForecastRow:
    """What one type of part will take.

    ``events``, ``sites`` and ``years`` are those of the past; ``items`` are in place now, ``ageless`` of them
    of unknown age. ``pieces_each`` is how many pieces a failure took so far (None: none were written down),
    ``shelf`` the pieces to keep for the year, ``van`` those to keep in each van for its hardest month.
    ``in_warranty`` is the share of failures to come that are under warranty, and ``beyond`` the share of the
    time ahead at ages nobody has watched enough of.
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


@dataclass(frozen=True, kw_only=True)
class ForecastFigure:
    """The next twelve months by type, and all types together."""

    selection: Selection
    asked: Asked
    rows: list[ForecastRow]
    months: list[date]
    whole: Expected | None
    whole_months: tuple[Expected, ...]
    exclusions: dict[str, int]

    @property
    def items(self) -> int:
        """Items in place."""
        return sum(row.items for row in self.rows)


@dataclass(frozen=True, kw_only=True)
class _Past:
    """What the past of one type says of what is to come."""

    rate: RateRow
    rows: CountingRows | None
    ages: ShownAges | None
    effect: float
    law: PowerLaw | None


def forecast_figure(
    selection: Selection,
    asked: Asked,
    *,
    rates: RatesFigure | None = None,
    histories: Histories | None = None,
) -> ForecastFigure:
    """Reckon the twelve months after the day on which the records are read.

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
    seasons = _seasons(histories, rates.rows, window, last=selection.last)
    rows = [
        _row(
            _past(histories, row, window, effect=rates.design_effects[row.family]),
            standing[row.key],
            asked,
            season=seasons[row.family],
            pieces=pieces.get(row.key, 0),
            today=selection.as_of,
        )
        for row in rates.rows
        if standing[row.key]
    ]
    whole, whole_months = _together(rows, effect=rates.design_effect)
    return ForecastFigure(
        selection=selection,
        asked=asked,
        rows=rows,
        months=[_month_after(selection.as_of, number) for number in range(MONTHS)],
        whole=whole,
        whole_months=whole_months,
        exclusions=rates.exclusions,
    )


def _past(histories: Histories, rate: RateRow, window: Window, *, effect: float) -> _Past:
    """Fit how failures of one type come with age, where there are enough of them."""
    if rate.key not in histories.groups:
        return _Past(rate=rate, rows=None, ages=None, effect=effect, law=None)
    rows = histories.of_group(histories.groups.index(rate.key)).counting_rows(window)
    ages = shown_ages(
        rows.start, rows.stop, rows.site, to_start=CURVE_ITEMS, to_go_on=CURVE_ITEMS, sites=CURVE_SITES
    )
    law = None
    if rows.event.sum() >= FIT_CURVE_FAILURES and np.unique(rows.site).size >= TEST_SITES:
        try:
            law = fit_repairs(_history(rows))
        except ValueError:  # no power of age describes them: the rate so far does
            law = None
    return _Past(rate=rate, rows=rows, ages=ages, effect=effect, law=law)


def _history(rows: CountingRows) -> History:
    return History(rows.start, rows.stop, rows.event, rows.site)


def _row(
    past: _Past,
    standing: Sequence[Standing],
    asked: Asked,
    *,
    season: Sequence[float],
    pieces: int,
    today: date,
) -> ForecastRow:
    rate = past.rate
    known = [each for each in standing if each.age_known]
    items, of_known_age = sum(each.items for each in standing), sum(each.items for each in known)
    ages = np.repeat(
        [today.toordinal() - each.fitted for each in known], [each.items for each in known]
    ).astype(np.float64)
    by_age = past.law is not None and of_known_age > 0
    told: dict[str, Any] = {
        "key": rate.key,
        "name": rate.name,
        "family": rate.family,
        "events": rate.events,
        "sites": rate.sites,
        "years": rate.years,
        "items": items,
        "ageless": items - of_known_age,
        "method": BY_AGE if by_age else STEADY,
        "beyond": _beyond(ages, past.ages),
        "pieces_each": pieces / rate.events if pieces and rate.events else None,
    }
    if not rate.years:
        return _nothing_known(told, "none of them was watched before")
    year, spread = _year(past, ages, items=items, by_age=by_age)
    if rate.events < FORECAST_FAILURES:
        told["reason"] = (
            f"{counted(rate.events, 'failure')} so far; a forecast takes {FORECAST_FAILURES} or more"
        )
    months = _months(past, spread, year.mean, season, today=today)
    thin = rate.events < FORECAST_FAILURES
    each = told["pieces_each"]
    hardest = max(month.mean for month in months)
    van = _counts(past, hardest / asked.vans)
    return ForecastRow(
        **told,
        year=_expected(year, thin=thin),
        months=tuple(_expected(month, thin=thin) for month in months),
        pieces=None if each is None or thin else each * year.mean,
        shelf=None if each is None else ceil(each * year.stock_for(asked.level) - 1e-9),
        van=None if each is None else ceil(each * van.stock_for(asked.level) - 1e-9),
        in_warranty=_in_warranty(past, ages, asked, by_age=by_age) if ages.size and not thin else None,
    )


def _nothing_known(told: dict[str, Any], reason: str) -> ForecastRow:
    """Give the row of a type that nobody watched: no number can be told."""
    unknown = Expected()
    return ForecastRow(
        **told,
        reason=reason,
        year=unknown,
        months=(unknown,) * MONTHS,
        pieces=None,
        shelf=None,
        van=None,
        in_warranty=None,
    )


def _expected(found: Prediction, *, thin: bool) -> Expected:
    """Take the numbers of a prediction; of a few failures only the upper end."""
    if thin:
        return Expected(high=int(found.high))
    return Expected(mean=found.mean, low=int(found.low), high=int(found.high))


def _counts(past: _Past, mean: float) -> Prediction:
    """Predict a number of failures of a given mean, as unsure as the past leaves its rate."""
    number = past.rate.events + 0.5
    return predict_events(past.rate.events, number, mean, design_effect=past.effect)


def _year(past: _Past, ages: np.ndarray, *, items: int, by_age: bool) -> tuple[Prediction, list[float]]:
    """Predict the twelve months, and give the share of each month before any season.

    Items of unknown age are taken to fail as the others do.
    """
    if not by_age or past.law is None or past.rows is None:
        found = predict_events(past.rate.events, past.rate.years, float(items), design_effect=past.effect)
        return found, [1 / MONTHS] * MONTHS
    found = expected_failures(
        past.law, ages, DAYS_PER_YEAR, history=_history(past.rows), design_effect=past.effect
    )
    steps = [_grown(past.law, ages, number * MONTH, (number + 1) * MONTH) for number in range(MONTHS)]
    if items > ages.size:
        found = _scaled(found, items / ages.size)
    return found, [step / sum(steps) for step in steps]


def _scaled(found: Prediction, times: float) -> Prediction:
    quantile = found.quantile
    return Prediction(
        mean=times * found.mean,
        low=floor(times * found.low),
        high=ceil(times * found.high),
        quantile=lambda level: ceil(times * quantile(level) - 1e-9),
    )


def _grown(law: PowerLaw, ages: np.ndarray, begin: Any, end: Any) -> float:
    """Add up the failures to expect of all items between two spans ahead of their ages."""
    return float(law.rate * ((ages + end) ** law.shape - (ages + begin) ** law.shape).sum())


def _months(
    past: _Past, spread: Sequence[float], mean: float, season: Sequence[float], *, today: date
) -> list[Prediction]:
    """Share the year out over its months by age and season."""
    weights = [share * season[_month_after(today, number).month - 1] for number, share in enumerate(spread)]
    return [_counts(past, mean * weight / sum(weights)) for weight in weights]


def _beyond(ages: np.ndarray, shown: ShownAges | None) -> float | None:
    """Give the share of the time ahead that lies at ages of which nobody has watched enough."""
    if ages.size == 0:
        return None
    if shown is None:
        return 1.0
    past_it = np.clip(ages + DAYS_PER_YEAR - np.maximum(ages, shown.stop), 0, DAYS_PER_YEAR)
    return float(past_it.sum()) / (ages.size * DAYS_PER_YEAR)


def _in_warranty(past: _Past, ages: np.ndarray, asked: Asked, *, by_age: bool) -> float:
    """Give the share of the failures to come that fall into warranty."""
    left = np.clip(asked.warranty * DAYS_PER_YEAR - ages, 0, DAYS_PER_YEAR)
    if not by_age or past.law is None:
        return float(left.sum()) / (ages.size * DAYS_PER_YEAR)
    whole = _grown(past.law, ages, 0.0, DAYS_PER_YEAR)
    return _grown(past.law, ages, 0.0, left) / whole if whole else 0.0


def _together(rows: Sequence[ForecastRow], *, effect: float) -> tuple[Expected | None, tuple[Expected, ...]]:
    """Predict all types together, types with too few failures at what they showed."""
    events = sum(row.events for row in rows)
    known = [row for row in rows if row.year.mean is not None]
    if not known:
        return None, ()
    # Types too thin for a forecast of their own still fail: together at their common rate.
    thin = [row for row in rows if row.year.mean is None and row.years]
    past, ahead = sum(row.years for row in thin), sum(row.items for row in thin)
    rest = sum(row.events for row in thin) * ahead / past if past else 0.0

    def of(means: Sequence[float | None], extra: float) -> Expected:
        mean = sum(each for each in means if each is not None) + extra
        found = predict_events(events, events + 0.5, mean, design_effect=effect)
        return _expected(found, thin=False)

    months = tuple(of([row.months[number].mean for row in known], rest / MONTHS) for number in range(MONTHS))
    return of([row.year.mean for row in known], rest), months


def _seasons(
    histories: Histories, rates: Sequence[RateRow], window: Window, *, last: date
) -> dict[str, list[float]]:
    """Read for each kind of part how its failures are spread over the calendar, over whole years."""
    place = {row.key: row.family for row in rates}
    family = [place.get(key, "") for key in histories.groups]
    fitted = dict(zip(histories.item.tolist(), histories.fitted.tolist(), strict=True))
    group = dict(zip(histories.item.tolist(), histories.group.tolist(), strict=True))
    first = max([window.after, *([min(fitted.values())] if fitted else [])])
    years = int((window.last - first) // DAYS_PER_YEAR)
    begin = window.last - int(years * DAYS_PER_YEAR)
    found = {row.family: [EVEN] * MONTHS for row in rates}
    for item, age, count in zip(
        histories.event_item.tolist(),
        histories.event_age.tolist(),
        histories.event_count.tolist(),
        strict=True,
    ):
        day = fitted[item] + age
        if begin < day <= window.last:
            found[family[group[item]]][date.fromordinal(day).month - 1] += count
    return {name: [MONTHS * each / sum(counts) for each in counts] for name, counts in found.items()}


def _month_after(day: date, number: int) -> date:
    """Give the middle of the month that begins so many months after a day, to name it by."""
    return date.fromordinal(day.toordinal() + 1 + int((number + 0.5) * MONTH))
