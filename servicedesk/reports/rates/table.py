"""CSV rows and JSON of failure rates."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from servicedesk.reports.questions.traits import GROUPINGS
from servicedesk.reports.rates.figure import RatesFigure
from servicedesk.reports.tables.cells import PER_WORDS, base, limits


def rates_header(figure: RatesFigure) -> list[str]:
    """Column headers of the CSV file of rates."""
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
    """Iterate over the CSV rows of rates."""
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


def rates_json(figure: RatesFigure) -> dict[str, Any]:
    """JSON document of rates; a value that is not known is null with its reason."""
    return {
        "figure": "rates",
        "per": PER_WORDS,
        "as_of": figure.selection.as_of.isoformat(),
        "design_effect": figure.design_effect,
        "rows": [
            {
                **base(figure.by, row),
                "piece_years": row.piece_years,
                "pooled": limits(row.pooled),
                "against_the_rest": row.verdict.sentence,
            }
            for row in figure.rows
        ],
        "exclusions": figure.exclusions,
    }
