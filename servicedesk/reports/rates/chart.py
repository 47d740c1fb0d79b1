"""Charts of failure rates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from django.utils.safestring import SafeString

from servicedesk.reports.charts import (
    FunnelLimits,
    FunnelPoint,
    IntervalRow,
    axis_top,
    funnel,
    interval_rows,
    nice_top,
)
from servicedesk.reports.comparison.verdicts import Word
from servicedesk.reports.numerics.counts.funnel import funnel_limits
from servicedesk.reports.questions.judgements import PER, Judged
from servicedesk.reports.rates.figure import RateRow, RatesFigure, by_family
from servicedesk.reports.words import amount

FUNNEL_LEVELS = (0.95, 0.998)

MOST_NAMED = 12
"""With more groups than this a funnel labels only those outside its narrower limits, and a chart of rates has
rows only for those with a rate."""

MARKED = (Word.HIGHER, Word.LOWER)


def rates_pictures(figure: RatesFigure) -> list[SafeString]:
    """Draw interval charts of the rates of a figure, one a kind of part, all on the same axis."""
    families = [(family, _interval_rows(rows)) for family, rows in by_family(figure.rows)]
    top = axis_top([row for _, rows in families for row in rows])
    return [
        SafeString(  # our own drawing escapes every text  # nosec B703
            interval_rows(
                rows,
                title=f"Failure rates with their intervals{f': {family}' if family else ''}",
                axis=f"failures a year per {PER} parts",
                id_prefix=f"rates{number}",
                heading=family[:1].upper() + family[1:],
                top=top,
            )
        )
        for number, (family, rows) in enumerate(families, start=1)
    ]


def _interval_rows(rows: Sequence[RateRow]) -> list[IntervalRow]:
    """Rows of a chart; with many groups, those without a rate are merged into one at its end."""
    known = [row for row in rows if row.judged.rate is not None]
    thin = len(rows) - len(known)
    if len(rows) <= MOST_NAMED or thin < 2:
        return [_interval(row) for row in rows]
    return [
        *(_interval(row) for row in known),
        IntervalRow(name=f"{thin} more", words="too little watched to give a rate; see the table"),
    ]


def rates_funnels(figure: RatesFigure) -> list[SafeString]:
    """Draw a funnel plot of the rates of each kind of part."""
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
        axes=(f"failures a year per {PER} parts", "part-years"),
        id_prefix=f"funnel{number}",
        heading=family[:1].upper() + family[1:],
    )
    return SafeString(svg)  # our own drawing escapes every text  # nosec B703


def _interval(row: RateRow) -> IntervalRow:
    note = f"{row.verdict.word} than the rest" if row.verdict.word in MARKED else ""
    return rate_row(row.name, row.judged, note=note)


def rate_row(name: str, judged: Judged, *, note: str = "") -> IntervalRow:
    """Row of an interval chart for a rate."""
    if judged.rate is None or judged.wide_low is None or judged.wide_high is None:
        return IntervalRow(name=name, words="too little watched to give a rate")
    return IntervalRow(
        name=name,
        words=range_words(judged.rate, judged.wide_low, judged.wide_high),
        value=judged.rate,
        low=judged.wide_low,
        high=judged.wide_high,
        note=note,
    )


def range_words(value: float, low: float, high: float) -> str:
    return f"{amount(value)} ({amount(low)} to {amount(high)})"
