"""CSV rows and JSON of the forecast."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from servicedesk.core.values.words import count
from servicedesk.reports.forecast.figure import Expected, ForecastFigure, ForecastRow
from servicedesk.reports.words import percent


def forecast_header(figure: ForecastFigure) -> list[str]:
    """Column headers of the CSV file of the forecast."""
    level, vans = percent(figure.assumptions.level), figure.assumptions.vans
    return [
        "kind of part",
        "type of part",
        "when",
        "items in place",
        "failures to expect",
        "from (95 %)",
        "to (95 %)",
        "pieces to expect",
        f"pieces on the shelf ({level})",
        f"pieces in each of {count(vans, 'van')} ({level})",
        "share under warranty",
        "share beyond experience",
        "reckoned",
        "why no number",
        "what to know",
    ]


def forecast_rows(figure: ForecastFigure) -> Iterator[list[Any]]:
    """Iterate over the CSV rows of the forecast: each type's year and months, then all types together."""
    for row in figure.rows:
        whole = [
            row.pieces,
            row.shelf,
            row.van,
            row.in_warranty,
            row.beyond,
            row.method,
            row.reason,
            "; ".join(row.remarks),
        ]
        yield [row.family, row.name, "twelve months", row.items, *_cells(row.year), *whole]
        for month, expected in zip(figure.months, row.months, strict=True):
            yield [row.family, row.name, f"{month:%Y-%m}", row.items, *_cells(expected), *[None] * 8]
    if figure.whole is not None:
        yield ["", "all types", "twelve months", figure.items, *_cells(figure.whole), *[None] * 8]
        for month, expected in zip(figure.months, figure.whole_months, strict=True):
            yield ["", "all types", f"{month:%Y-%m}", figure.items, *_cells(expected), *[None] * 8]


def forecast_json(figure: ForecastFigure) -> dict[str, Any]:
    """JSON document of the forecast; a value that is not known is null with its reason."""
    return {
        "figure": "ahead",
        "as_of": figure.selection.as_of.isoformat(),
        "service_level": figure.assumptions.level,
        "vans": figure.assumptions.vans,
        "warranty_years": figure.assumptions.warranty,
        "months": [f"{month:%Y-%m}" for month in figure.months],
        "rows": [_row(row) for row in figure.rows],
        "whole": None if figure.whole is None else _expected(figure.whole),
        "whole_months": [_expected(month) for month in figure.whole_months],
        "late": figure.late,
        "exclusions": figure.exclusions,
    }


def _row(row: ForecastRow) -> dict[str, Any]:
    return {
        "component": row.name,
        "events": row.events,
        "sites": row.sites,
        "item_years": row.years,
        "items_in_place": row.items,
        "reckoned": row.method,
        "year": _expected(row.year),
        "months": [_expected(month) for month in row.months],
        "pieces_each": row.pieces_each,
        "pieces": row.pieces,
        "shelf": row.shelf,
        "van": row.van,
        "in_warranty": row.in_warranty,
        "beyond": row.beyond,
        "trend": row.trend,
        "year_ago": asdict(row.year_ago) if row.year_ago else None,
        "remarks": list(row.remarks),
        **({"reason": row.reason} if row.reason else {}),
    }


def _expected(expected: Expected) -> dict[str, float | None]:
    return {"mean": expected.mean, "low": expected.low, "high": expected.high}


def _cells(expected: Expected) -> list[float | None]:
    return list(_expected(expected).values())
