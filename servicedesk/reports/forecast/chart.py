"""Charts of the forecast of twelve months."""

from __future__ import annotations

from django.utils.safestring import SafeString

from servicedesk.core.values.dates import year_month
from servicedesk.reports.charts import (
    MonthBar,
    month_bars,
)
from servicedesk.reports.forecast.figure import ForecastFigure


def forecast_pictures(figure: ForecastFigure) -> list[SafeString]:
    """Draw the expected failures by month, of all selected types together."""
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
