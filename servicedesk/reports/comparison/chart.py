"""Charts of the comparison of two types."""

from __future__ import annotations

from math import isfinite

from django.utils.safestring import SafeString

from servicedesk.reports.charts import (
    IntervalRow,
    axis_top,
    interval_rows,
)
from servicedesk.reports.comparison.figure import CompareFigure
from servicedesk.reports.rates.chart import range_words


def ratio_picture(figure: CompareFigure) -> SafeString:
    """Draw the rate ratios of a comparison, with a line at a ratio of one."""
    rows = [
        IntervalRow(
            name=ratio.name,
            words=range_words(ratio.ratio, ratio.low, ratio.high),
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
