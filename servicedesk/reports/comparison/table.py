"""CSV rows and JSON of the comparison of two types."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from servicedesk.reports.comparison.figure import CompareFigure
from servicedesk.reports.curves.figure import CurvesFigure
from servicedesk.reports.tables.cells import PER_WORDS, finite


def compare_header(figure: CompareFigure) -> list[str]:
    """Column headers of the CSV file of a comparison."""
    sides = [
        f"{what}, {side.name}" for side in (figure.one, figure.other) for what in ("failures", "item-years")
    ]
    return ["what", "sun", "color", "age", *sides, "times as often", "from (95 %)", "to (95 %)", "why none"]


def compare_rows(figure: CompareFigure) -> Iterator[list[Any]]:
    """Iterate over the CSV rows of a comparison: the ratios, then the strata they rest on."""
    one, other = figure.one, figure.other
    for ratio in figure.ratios:
        numbers = finite([ratio.ratio, ratio.low, ratio.high])
        counts = [one.events, one.years, other.events, other.years]
        yield [ratio.name, "", "", "", *counts, *numbers, ratio.reason]
    for stratum in figure.strata:
        counts = [cell for side in zip(stratum.events, stratum.years, strict=True) for cell in side]
        yield [
            "same age, sun and color",
            stratum.sun,
            stratum.color,
            stratum.age,
            *counts,
            *[None] * 3,
            "",
        ]


def compare_json(figure: CompareFigure, curves: CurvesFigure) -> dict[str, Any]:
    """JSON document of a comparison; a value that is not known is null with its reason."""
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
                    zip(("ratio", "low", "high"), finite([ratio.ratio, ratio.low, ratio.high]), strict=True)
                ),
                **({"reason": ratio.reason} if ratio.reason else {}),
            }
            for ratio in figure.ratios
        ],
        "strata": [
            {
                "sun": stratum.sun,
                "color": stratum.color,
                "age": stratum.age,
                "events": list(stratum.events),
                "item_years": list(stratum.years),
            }
            for stratum in figure.strata
        ],
        "design_effect": figure.design_effect,
        "curves_p_value": figure.p_value,
        "exclusions": curves.exclusions,
    }
