"""Figures as rows of a file, as JSON and as text: the same numbers the pages show."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from math import isfinite
from typing import Any

import numpy as np

from servicedesk.reports.comparison import CompareFigure
from servicedesk.reports.curve_figures import RECURRENCE, Curve, CurveRow, CurvesFigure
from servicedesk.reports.judgements import PER, Judged
from servicedesk.reports.life_fits import Limits
from servicedesk.reports.models import FailureDay
from servicedesk.reports.rate_figures import RateRow, RatesFigure
from servicedesk.reports.traits import GROUPINGS
from servicedesk.reports.words import amount

PER_WORDS = f"{PER} item-years"
VALUE_OF = {RECURRENCE: "mean"}
"""What the values of a curve are called; of any other they are the survival."""


def rates_header(figure: RatesFigure) -> list[str]:
    """Name the columns of a file of rates."""
    return [
        "kind of part",
        GROUPINGS[figure.by],
        "failures",
        "items",
        "sites",
        "item-years",
        f"failures per {PER_WORDS}",
        "from (95 %)",
        "to (95 %)",
        "from, allowing for sites (95 %)",
        "to, allowing for sites (95 %)",
        "drawn together",
        "from (95 %, approximate)",
        "to (95 %, approximate)",
        "piece-years",
        "against the rest",
        "why no rate",
    ]


def rates_rows(figure: RatesFigure) -> Iterator[list[Any]]:
    """Give the rows of a file of rates."""
    for row in figure.rows:
        judged = row.judged
        yield [
            row.family,
            row.name,
            row.events,
            row.items,
            row.sites,
            row.years,
            judged.rate,
            judged.low,
            judged.high,
            judged.wide_low,
            judged.wide_high,
            *(row.pooled or (None, None, None)),
            row.piece_years,
            row.verdict.sentence,
            judged.reason,
        ]


def curves_header(figure: CurvesFigure) -> list[str]:
    """Name the columns of a file of curves."""
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
        *([] if figure.name == RECURRENCE else LIFE_COLUMNS),
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


def curves_rows(figure: CurvesFigure) -> Iterator[list[Any]]:
    """Give the rows of a file of curves: one an age at which something failed, or one that says why not.

    What is said of a group as a whole stands in its first row.
    """
    for row in figure.rows:
        life = [] if figure.name == RECURRENCE else _life_cells(row)
        if row.curve is None:
            yield [row.family, row.name, *[None] * 7, row.reason, *life]
            continue
        columns = curve_columns(row.curve, value="value").values()
        for number in range(row.curve.age.size):
            cells = [column[number] if column is not None else None for column in columns]
            whole = [row.note, *life] if number == 0 else ["", *[None] * len(life)]
            yield [row.family, row.name, *cells, *whole]


def _life_cells(row: CurveRow) -> list[Any]:
    """Give the fitted life of a group as cells."""
    life = row.life
    if life is None or life.shape is None:
        return [*[None] * 3, life.reason if life else None, *[None] * 3]
    tenth = life.tenth or (None, None, None)
    return [*_finite(life.shape), str(life.reading), *_finite(tenth)]


def _finite(found: Sequence[float | None]) -> list[float | None]:
    return [x if x is not None and isfinite(x) else None for x in found]


def compare_header(figure: CompareFigure) -> list[str]:
    """Name the columns of a file of a comparison."""
    sides = [
        f"{what}, {side.name}" for side in (figure.one, figure.other) for what in ("failures", "item-years")
    ]
    return ["what", "sun", "colour", "age", *sides, "times as often", "from (95 %)", "to (95 %)", "why none"]


def compare_rows(figure: CompareFigure) -> Iterator[list[Any]]:
    """Give the rows of a file of a comparison: the ratios, then the strata they rest on."""
    one, other = figure.one, figure.other
    for ratio in figure.ratios:
        numbers = _finite([ratio.ratio, ratio.low, ratio.high])
        counts = [one.events, one.years, other.events, other.years]
        yield [ratio.name, "", "", "", *counts, *numbers, ratio.reason]
    for stratum in figure.strata:
        counts = [cell for side in zip(stratum.events, stratum.years, strict=True) for cell in side]
        yield [
            "alike in sun, colour and age",
            stratum.sun,
            stratum.colour,
            stratum.age,
            *counts,
            *[None] * 3,
            "",
        ]


def compare_json(figure: CompareFigure) -> dict[str, Any]:
    """Give a comparison as a JSON document; what is refused is null with its reason."""
    return {
        "figure": "compare",
        "per": PER_WORDS,
        "as_of": figure.selection.as_of.isoformat(),
        "rows": [
            {
                "component": side.name,
                "events": side.events,
                "items": side.items,
                "sites": side.sites,
                "item_years": side.years,
                "rate": side.judged.rate,
                "low": side.judged.low,
                "high": side.judged.high,
                "wide_low": side.judged.wide_low,
                "wide_high": side.judged.wide_high,
                **({"reason": side.judged.reason} if side.judged.reason else {}),
            }
            for side in (figure.one, figure.other)
        ],
        "ratios": [
            {
                "reckoned": ratio.name,
                **dict(
                    zip(("ratio", "low", "high"), _finite([ratio.ratio, ratio.low, ratio.high]), strict=True)
                ),
                **({"reason": ratio.reason} if ratio.reason else {}),
            }
            for ratio in figure.ratios
        ],
        "strata": [
            {
                "sun": stratum.sun,
                "colour": stratum.colour,
                "age": stratum.age,
                "events": list(stratum.events),
                "item_years": list(stratum.years),
            }
            for stratum in figure.strata
        ],
        "design_effect": figure.design_effect,
        "curves_p_value": figure.p_value,
        "exclusions": figure.curves.exclusions,
    }


LOG_HEADER = ["day", "kind of part", "type of part", "failure", "failures", "items at risk"]


def log_rows(days: Iterable[FailureDay]) -> Iterator[list[Any]]:
    """Give the rows of a file of the failure log."""
    for day in days:
        kind = day.component_type.get_kind_display()
        items = getattr(day, "items", None)
        yield [day.on.isoformat(), kind, day.component_type.name, day.mode.name, day.failures, items]


def rates_json(figure: RatesFigure) -> dict[str, Any]:
    """Give the rates as a JSON document; what is refused is null with its reason."""
    return {
        "figure": "rates",
        "per": PER_WORDS,
        "as_of": figure.selection.as_of.isoformat(),
        "design_effect": figure.design_effect,
        "rows": [
            {
                **_base(figure.by, row),
                "piece_years": row.piece_years,
                "pooled": _limits(row.pooled),
                "against_the_rest": row.verdict.sentence,
            }
            for row in figure.rows
        ],
        "exclusions": figure.exclusions,
    }


def curves_json(figure: CurvesFigure) -> dict[str, Any]:
    """Give curves as a JSON document; what is refused is null with its reason."""
    return {
        "figure": figure.name,
        "per": PER_WORDS,
        "as_of": figure.selection.as_of.isoformat(),
        "rows": [
            {**_base(figure.by, row), "curve": _curve(figure, row), **_life(row), **_reason(row)}
            for row in figure.rows
        ],
        "exclusions": figure.exclusions,
    }


def curve_columns(curve: Curve, *, value: str) -> dict[str, list[Any] | None]:
    """Give a curve as columns of plain numbers."""
    return {
        "age_days": _plain(curve.age),
        "at_risk": _plain(curve.at_risk),
        "events": _plain(curve.events),
        value: _plain(curve.value),
        "std_error": _plain(curve.std_error),
        "low": _plain(curve.low),
        "high": _plain(curve.high),
    }


def _base(by: str, row: RateRow | CurveRow) -> dict[str, Any]:
    judged: Judged = row.judged
    return {
        by: row.name,
        "events": row.events,
        "items": row.items,
        "sites": row.sites,
        "item_years": row.years,
        "rate": judged.rate,
        "low": judged.low,
        "high": judged.high,
        "wide_low": judged.wide_low,
        "wide_high": judged.wide_high,
        **({"reason": judged.reason} if judged.reason else {}),
    }


def _curve(figure: CurvesFigure, row: CurveRow) -> dict[str, list[Any] | None] | None:
    if row.curve is None:
        return None
    return curve_columns(row.curve, value=VALUE_OF.get(figure.name, "survival"))


def _reason(row: CurveRow) -> dict[str, str]:
    """Say why there is no curve, or no interval, before why there is no rate."""
    if row.curve is None:
        return {"reason": row.reason}
    if row.curve.low is None or row.judged.reason:
        return {"reason": row.note or row.judged.reason}
    return {}


def _life(row: CurveRow) -> dict[str, Any]:
    """Give the fitted life; what is refused is null with its reason."""
    life = row.life
    if life is None:
        return {}
    if life.shape is None:
        return {"life": None, "life_reason": life.reason}
    return {
        "life": {
            "failures": life.failures,
            "shape": _limits(life.shape),
            "reading": str(life.reading),
            "tenth_failed_by_days": _limits(life.tenth),
            "datings": [
                {
                    "dated": str(dated.dating),
                    "shape": _limits(dated.shape),
                    "reading": str(dated.reading),
                    "tenth_failed_by_days": _limits(dated.tenth),
                }
                for dated in life.datings
            ],
        }
    }


def _limits(found: Limits | None) -> dict[str, float | None] | None:
    if found is None:
        return None
    return dict(zip(("value", "low", "high"), (x if isfinite(x) else None for x in found), strict=True))


def _plain(column: Any) -> list[Any] | None:
    """Turn a column into plain numbers, with None for what is not a number."""
    if column is None:
        return None
    return [None if isinstance(x, float) and not isfinite(x) else x for x in np.asarray(column).tolist()]


def as_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Lay a table out in columns of plain text, numbers to the right, without empty columns."""
    table = [[_shown(cell) for cell in row] for row in rows]
    used = [number for number in range(len(header)) if any(row[number] for row in table)]
    header, table = [header[i] for i in used], [[row[i] for i in used] for row in table]
    widths = [max(map(len, column)) for column in zip(header, *table, strict=True)]
    lines = [header, ["-" * width for width in widths], *table]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if _is_number(cell) else cell.ljust(width)
            for cell, width in zip(line, widths, strict=True)
        ).rstrip()
        for line in lines
    )


def _shown(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, int):
        return f"{cell:,}"
    return amount(cell) if isinstance(cell, float) else str(cell)


def _is_number(cell: str) -> bool:
    return bool(cell) and cell.replace(",", "").replace(".", "").isdigit()
