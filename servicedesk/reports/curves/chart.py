"""Charts of curves over age."""

from __future__ import annotations

from collections.abc import Sequence

from django.utils.safestring import SafeString

from servicedesk.reports.charts import (
    Steps,
    nice_top,
    step_curve,
)
from servicedesk.reports.curves.figure import Curve, CurveRow, CurvesFigure
from servicedesk.reports.questions.asking import RECURRENCE
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.words import amount, percent, years

LEAST_TOP = 0.01
"""Least end of the axis of failures per item: finer ticks would be of no use."""


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
    """End of the axis of failures per item: shows all curves, and bands up to twice the highest."""
    highest = max((float(curve.value[-1]) for curve in curves if curve.value.size), default=0.0)
    limits = [float(curve.high[-1]) for curve in curves if curve.high is not None and curve.high.size]
    return max(LEAST_TOP, nice_top(min(max([highest, *limits]), 2 * highest) or highest or 1.0))


def _curve_picture(
    figure: CurvesFigure, row: CurveRow, curve: Curve, *, tops: tuple[float, float], number: int
) -> SafeString:
    mean = figure.name == RECURRENCE
    axes = ("Failures a part has had, on average", "years since fitted")
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
    """Fitted Weibull survival as pairs of age in years and share without failure."""
    if row.life is None:
        return []
    return [(age / DAYS_PER_YEAR, share) for age, share in zip(row.life.ages, row.life.shares, strict=True)]


def _last_value(figure: CurvesFigure, curve: Curve) -> str:
    if figure.name == RECURRENCE:
        return amount(float(curve.value[-1])) if curve.value.size else "0"
    return percent(float(curve.value[-1]) if curve.value.size else 1.0)


def end_words(figure: CurvesFigure, row: CurveRow) -> str:
    """Sentence with the last value of a curve."""
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
        return f"By {years(curve.stop)}, {show(value or 0)} failures per part{sure}."
    return f"At {years(curve.stop)}, {show(value or 0)} still without a failure{sure}."
