"""Template context of the forecast of twelve months."""

from __future__ import annotations

from typing import Any

from servicedesk.reports.forecast.figure import ForecastFigure
from servicedesk.reports.queries.exclusion_reasons import (
    findings_address,
)


def forecast_lines(figure: ForecastFigure) -> list[dict[str, Any]]:
    """Forecast of each type with a link to the failures it rests on."""
    return [
        {
            "row": row,
            "new_family": number == 0 or figure.rows[number - 1].family != row.family,
            "findings": findings_address(figure.selection.only("component", row.key)),
            "months": list(zip(figure.months, row.months, strict=True)),
        }
        for number, row in enumerate(figure.rows)
    ]
