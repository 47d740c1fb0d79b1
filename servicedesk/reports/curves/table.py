"""CSV rows and JSON of curves over age."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from servicedesk.reports.curves.figure import Curve, CurveRow, CurvesFigure
from servicedesk.reports.questions.asking import RECURRENCE
from servicedesk.reports.questions.traits import GROUPINGS
from servicedesk.reports.tables.cells import PER_WORDS, base, finite, limits, plain

VALUE_OF = {RECURRENCE: "mean"}
"""Names of the values of a curve in JSON; by default "survival"."""

TREND_COLUMNS = [
    "trend",
    "chance without a trend",
    "shape",
    "shape from (95 %)",
    "shape to (95 %)",
]

LIFE_COLUMNS = [
    "shape",
    "shape from (95 %)",
    "shape to (95 %)",
    "what the shape says",
    "a tenth failed by (days)",
    "from (95 %)",
    "to (95 %)",
]


def curves_header(figure: CurvesFigure) -> list[str]:
    """Column headers of the CSV file of curves."""
    value = "failures per item" if figure.name == RECURRENCE else "share without failure"
    return [
        "kind of part",
        GROUPINGS[figure.by],
        "age in days",
        "items watched",
        "failures",
        value,
        "standard error",
        "from (95 %)",
        "to (95 %)",
        "why no curve",
        *(TREND_COLUMNS if figure.name == RECURRENCE else LIFE_COLUMNS),
    ]


def curves_rows(figure: CurvesFigure) -> Iterator[list[Any]]:
    """Iterate over the CSV rows of curves: one for each age at failure, or one with the reason for none.

    Values of a group as a whole are in its first row.
    """
    for row in figure.rows:
        life = _trend_cells(row) if figure.name == RECURRENCE else _life_cells(row)
        if row.curve is None:
            yield [row.family, row.name, *[None] * 7, row.reason, *life]
            continue
        columns = curve_columns(row.curve, value="value").values()
        for number in range(row.curve.age.size):
            cells = [column[number] if column is not None else None for column in columns]
            whole = [row.note, *life] if number == 0 else ["", *[None] * len(life)]
            yield [row.family, row.name, *cells, *whole]


def _trend_cells(row: CurveRow) -> list[Any]:
    """Trend of recurrent failures as cells."""
    trend = row.trend
    if trend is None:
        return [None] * 5
    return [trend.words, trend.p_value, *finite(trend.shape or (None, None, None))]


def _life_cells(row: CurveRow) -> list[Any]:
    """Fitted Weibull lifetime of a group as cells."""
    life = row.life
    if life is None or life.shape is None:
        return [*[None] * 3, life.reason if life else None, *[None] * 3]
    tenth = life.tenth or (None, None, None)
    return [*finite(life.shape), str(life.reading), *finite(tenth)]


def curves_json(figure: CurvesFigure) -> dict[str, Any]:
    """JSON document of curves; a value that is not known is null with its reason."""
    return {
        "figure": figure.name,
        "per": PER_WORDS,
        "as_of": figure.selection.as_of.isoformat(),
        "rows": [
            {
                **base(figure.by, row),
                "curve": _curve(figure, row),
                **_life(row),
                **_trend(row),
                **_reason(row),
            }
            for row in figure.rows
        ],
        "exclusions": figure.exclusions,
    }


def curve_columns(curve: Curve, *, value: str) -> dict[str, list[Any] | None]:
    """Columns of a curve as plain numbers."""
    return {
        "age_days": plain(curve.age),
        "at_risk": plain(curve.at_risk),
        "events": plain(curve.events),
        value: plain(curve.value),
        "std_error": plain(curve.std_error),
        "low": plain(curve.low),
        "high": plain(curve.high),
    }


def _curve(figure: CurvesFigure, row: CurveRow) -> dict[str, list[Any] | None] | None:
    if row.curve is None:
        return None
    return curve_columns(row.curve, value=VALUE_OF.get(figure.name, "survival"))


def _reason(row: CurveRow) -> dict[str, str]:
    """Reason for no curve or no interval, else for no rate."""
    if row.curve is None:
        return {"reason": row.reason}
    if row.curve.low is None or row.judged.reason:
        return {"reason": row.note or row.judged.reason}
    return {}


def _trend(row: CurveRow) -> dict[str, Any]:
    """JSON of the trend of recurrent failures; null with its reason where it is not known."""
    trend = row.trend
    if trend is None:
        return {}
    if trend.direction is None:
        return {"trend": None, "trend_reason": trend.reason}
    data = {"reading": str(trend.direction), "p_value": trend.p_value, "shape": limits(trend.shape)}
    return {"trend": data}


def _life(row: CurveRow) -> dict[str, Any]:
    """JSON of the fitted Weibull lifetime; null with its reason where there is none."""
    life = row.life
    if life is None:
        return {}
    if life.shape is None:
        return {"life": None, "life_reason": life.reason}
    return {
        "life": {
            "failures": life.failures,
            "shape": limits(life.shape),
            "reading": str(life.reading),
            "tenth_failed_by_days": limits(life.tenth),
            "datings": [
                {
                    "dated": str(dated.dating),
                    "shape": limits(dated.shape),
                    "reading": str(dated.reading),
                    "tenth_failed_by_days": limits(dated.tenth),
                }
                for dated in life.datings
            ],
        }
    }
