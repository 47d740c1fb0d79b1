"""Charts of surveillance."""

from __future__ import annotations

from math import inf

from django.utils.safestring import SafeString

from servicedesk.reports.charts import (
    IntervalRow,
    axis_top,
    interval_rows,
)
from servicedesk.reports.rates.chart import range_words
from servicedesk.reports.surveillance.figure import SurveillanceFigure, flag_ways


def flags_picture(figure: SurveillanceFigure) -> SafeString:
    """Draw the ratios of observed to expected failures of the flagged lots and types."""
    rows = [
        IntervalRow(
            name=flag.words,
            words=range_words(flag.times or inf, flag.times_low, flag.times_high or inf),
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
