"""From figures to their pictures."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, isfinite

import numpy as np
from django.utils.safestring import SafeString

from servicedesk.core.values.dates import year_month
from servicedesk.reports.charts import (
    FunnelLimits,
    FunnelPoint,
    IntervalRow,
    MonthBar,
    Steps,
    axis_top,
    funnel,
    interval_rows,
    month_bars,
    nice_top,
    step_curve,
)
from servicedesk.reports.comparison.figure import CompareFigure
from servicedesk.reports.comparison.verdicts import Word
from servicedesk.reports.curves.figure import Curve, CurveRow, CurvesFigure
from servicedesk.reports.forecast.figure import ForecastFigure
from servicedesk.reports.maintenance.figure import MaintenanceFigure
from servicedesk.reports.numerics.funnel import funnel_limits
from servicedesk.reports.questions.asking import RECURRENCE
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR, PER, Judged
from servicedesk.reports.rates.figure import RateRow, RatesFigure, by_family
from servicedesk.reports.surveillance.figure import SurveillanceFigure, flag_ways
from servicedesk.reports.words import amount, percent, years

LEAST_TOP = 0.01
"""Where the axis of failures per item ends at the least: finer marks would say nothing."""

FUNNEL_LEVELS = (0.95, 0.998)
MOST_NAMED = 12
"""With more groups than this a funnel names only those outside its narrower limits, and a picture of rates
only those that have one."""

MARKED = (Word.HIGHER, Word.LOWER)


def rates_pictures(figure: RatesFigure) -> list[SafeString]:
    """Draw the rates of a figure with their intervals, one picture a kind of part, all on the same axis."""
    families = [(family, _told_by(rows)) for family, rows in by_family(figure.rows)]
    top = axis_top([row for _, rows in families for row in rows])
    return [
        SafeString(  # our own drawing escapes every text  # nosec B703
            interval_rows(
                rows,
                title=f"Failure rates with their intervals{f': {family}' if family else ''}",
                axis=f"failures a year per {PER} items",
                id_prefix=f"rates{number}",
                heading=family[:1].upper() + family[1:],
                top=top,
            )
        )
        for number, (family, rows) in enumerate(families, start=1)
    ]


def _told_by(rows: Sequence[RateRow]) -> list[IntervalRow]:
    """Give the rows of a picture; of many, those too thin for a rate are told as one at its end."""
    known = [row for row in rows if row.judged.rate is not None]
    thin = len(rows) - len(known)
    if len(rows) <= MOST_NAMED or thin < 2:
        return [_interval(row) for row in rows]
    return [
        *(_interval(row) for row in known),
        IntervalRow(name=f"{thin} more", words="too little watched to give a rate; see the table"),
    ]


def rates_funnels(figure: RatesFigure) -> list[SafeString]:
    """Draw the rates of each kind of part against how much of it was watched."""
    if not figure.compared:
        return []
    drawn: list[SafeString] = []
    for family, rows in by_family(figure.rows):
        known = [row for row in rows if row.judged.rate is not None and row.key is not None]
        years, events = sum(row.years for row in known), sum(row.events for row in known)
        if len(known) > 1 and events:
            drawn.append(_funnel(figure, family, known, rate=events / years, number=len(drawn)))
    return drawn


def _funnel(
    figure: RatesFigure, family: str, rows: Sequence[RateRow], *, rate: float, number: int
) -> SafeString:
    effect = figure.design_effects[family]
    longest = max(row.years for row in rows)
    at = np.linspace(longest / 60, nice_top(longest), 90)
    limits = []
    for level in FUNNEL_LEVELS:
        low, high = funnel_limits(rate, at, design_effect=effect, confidence=level)
        limits.append(
            FunnelLimits(
                words=f"{100 * level:g} %",
                exposure=at.tolist(),
                low=(PER * low).tolist(),
                high=(PER * high).tolist(),
            )
        )
    low, high = funnel_limits(rate, [row.years for row in rows], design_effect=effect)
    points = [
        FunnelPoint(
            name=row.name,
            exposure=row.years,
            rate=PER * row.events / row.years,
            named=len(rows) <= MOST_NAMED or not low[place] <= row.events / row.years <= high[place],
        )
        for place, row in enumerate(rows)
    ]
    svg = funnel(
        points,
        center=PER * rate,
        limits=limits,
        title=f"Failure rates against how much was watched{f': {family}' if family else ''}",
        axes=(f"failures a year per {PER} items", "item-years watched"),
        id_prefix=f"funnel{number}",
        heading=family[:1].upper() + family[1:],
    )
    return SafeString(svg)  # our own drawing escapes every text  # nosec B703


def forecast_pictures(figure: ForecastFigure) -> list[SafeString]:
    """Draw the failures to expect month by month, of all types asked for together."""
    if not figure.whole_months:
        return []
    bars = [
        MonthBar(
            name=year_month(month),
            mean=expected.mean or 0.0,
            low=expected.low or 0.0,
            high=expected.high or 0.0,
        )
        for month, expected in zip(figure.months, figure.whole_months, strict=True)
    ]
    svg = month_bars(
        bars,
        title="Failures to expect month by month",
        axis="failures to expect in the month",
        id_prefix="months",
        heading="The next twelve months",
    )
    return [SafeString(svg)]  # our own drawing escapes every text  # nosec B703


def maintenance_picture(figure: MaintenanceFigure) -> SafeString:
    """Draw the failure rate in each stretch of time since care."""
    rows = [_rate_row(band.name, band.judged) for band in figure.bands]
    svg = interval_rows(
        rows,
        title=f"Failures of {figure.rule.component_type} by the time since care",
        axis=f"failures a year per {PER} items",
        id_prefix="care",
        heading=f"Time since it was {figure.rule.work}",
    )
    return SafeString(svg)  # our own drawing escapes every text  # nosec B703


def flags_picture(figure: SurveillanceFigure) -> SafeString:
    """Draw how many times as often as expected the lots and types that stand out failed."""
    rows = [
        IntervalRow(
            name=flag.words,
            words=_range(flag.times or inf, flag.times_low, flag.times_high or inf),
            value=flag.times or flag.times_low,
            low=flag.times_low,
            high=flag.times_high or inf,
            note=flag_ways(flags),
        )
        for flags in figure.standing_out
        if (flag := flags[-1]).times_low is not None
    ]
    if not rows:
        return SafeString("")
    svg = interval_rows(
        rows,
        title="How many times as often as expected they failed",
        axis="times as often as expected (dashed: as expected)",
        id_prefix="flags",
        top=max(axis_top(rows), 2.0),
        reference=1.0,
    )
    return SafeString(svg)  # our own drawing escapes every text  # nosec B703


def ratio_picture(figure: CompareFigure) -> SafeString:
    """Draw the ratios of a comparison beside each other, with a line where both types would fail alike."""
    rows = [
        IntervalRow(
            name=ratio.name,
            words=_range(ratio.ratio, ratio.low, ratio.high),
            value=ratio.ratio if isfinite(ratio.ratio) else ratio.low,
            low=ratio.low,
            high=ratio.high,
        )
        if ratio.ratio is not None and ratio.low is not None and ratio.high is not None
        else IntervalRow(name=ratio.name, words=f"cannot tell yet: {ratio.reason}")
        for ratio in figure.ratios
    ]
    svg = interval_rows(
        rows,
        title=f"How many times as often {figure.one.name} fails as {figure.other.name}",
        axis="times as often (dashed: alike)",
        id_prefix="ratios",
        heading=f"{figure.one.name} against {figure.other.name}",
        top=max(axis_top(rows), 2.0),
        reference=1.0,
    )
    return SafeString(svg)  # our own drawing escapes every text  # nosec B703


def _interval(row: RateRow) -> IntervalRow:
    note = f"{row.verdict.word} than the rest" if row.verdict.word in MARKED else ""
    return _rate_row(row.name, row.judged, note=note)


def _rate_row(name: str, judged: Judged, *, note: str = "") -> IntervalRow:
    """Put a rate into a row of a picture."""
    if judged.rate is None or judged.wide_low is None or judged.wide_high is None:
        return IntervalRow(name=name, words="too little watched to give a rate")
    return IntervalRow(
        name=name,
        words=_range(judged.rate, judged.wide_low, judged.wide_high),
        value=judged.rate,
        low=judged.wide_low,
        high=judged.wide_high,
        note=note,
    )


def _range(value: float, low: float, high: float) -> str:
    return f"{amount(value)} ({amount(low)} to {amount(high)})"


def curve_pictures(figure: CurvesFigure) -> list[SafeString]:
    """Draw the curves of a figure below each other, all on the same axes."""
    shown = [(row, row.curve) for row in figure.rows if row.curve is not None]
    if not shown:
        return []
    last = nice_top(max(curve.stop for _, curve in shown) / DAYS_PER_YEAR)
    most = 1.0 if figure.name != RECURRENCE else _most([curve for _, curve in shown])
    return [
        _curve_picture(figure, row, curve, tops=(most, last), number=number)
        for number, (row, curve) in enumerate(shown, start=1)
    ]


def _most(curves: Sequence[Curve]) -> float:
    """Choose the end of the axis of failures per item: all curves show, and bands up to twice the highest."""
    highest = max((float(curve.value[-1]) for curve in curves if curve.value.size), default=0.0)
    limits = [float(curve.high[-1]) for curve in curves if curve.high is not None and curve.high.size]
    return max(LEAST_TOP, nice_top(min(max([highest, *limits]), 2 * highest) or highest or 1.0))


def _curve_picture(
    figure: CurvesFigure, row: CurveRow, curve: Curve, *, tops: tuple[float, float], number: int
) -> SafeString:
    mean = figure.name == RECURRENCE
    axes = ("Failures an item has had, on average", "years since fitted")
    if not mean:
        axes = ("Still without a failure", "years since fitted")
    steps = Steps(
        start=curve.start / DAYS_PER_YEAR,
        stop=curve.stop / DAYS_PER_YEAR,
        first=0.0 if mean else 1.0,
        at=(curve.age / DAYS_PER_YEAR).tolist(),
        value=curve.value.tolist(),
        low=None if curve.low is None else curve.low.tolist(),
        high=None if curve.high is None else curve.high.tolist(),
        model=_model(row),
    )
    svg = step_curve(
        steps,
        name=row.name,
        words=end_words(figure, row),
        end=_last_value(figure, curve),
        title=f"{axes[0]}: {row.name}",
        axes=axes,
        tops=tops,
        id_prefix=f"curve{number}",
        percent=not mean,
    )
    return SafeString(svg)  # our own drawing escapes every text  # nosec B703


def _model(row: CurveRow) -> list[tuple[float, float]]:
    """Give the fitted life as ages in years and shares without failure."""
    if row.life is None:
        return []
    return [(age / DAYS_PER_YEAR, share) for age, share in zip(row.life.ages, row.life.shares, strict=True)]


def _last_value(figure: CurvesFigure, curve: Curve) -> str:
    if figure.name == RECURRENCE:
        return amount(float(curve.value[-1])) if curve.value.size else "0"
    return percent(float(curve.value[-1]) if curve.value.size else 1.0)


def end_words(figure: CurvesFigure, row: CurveRow) -> str:
    """Say in a sentence where a curve has got to at its end."""
    curve = row.curve
    if curve is None:
        return f"No curve: {row.reason}."
    if curve.value.size == 0:
        return f"No failure up to age {years(curve.stop)}."
    value, low, high = (
        None if column is None else float(column[-1]) for column in (curve.value, curve.low, curve.high)
    )
    show = amount if figure.name == RECURRENCE else percent
    sure = f" ({show(low)} to {show(high)})" if low is not None and high is not None and low == low else ""
    if figure.name == RECURRENCE:
        return f"By {years(curve.stop)}, {show(value or 0)} failures per item{sure}."
    return f"At {years(curve.stop)}, {show(value or 0)} still without a failure{sure}."
