"""Template context of curves over age."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from servicedesk.reports.curves.chart import end_words
from servicedesk.reports.curves.figure import CurveRow, CurvesFigure
from servicedesk.reports.queries.exclusion_reasons import (
    findings_address,
)
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.rates.figure import narrowed
from servicedesk.reports.words import years


def curve_lines(figure: CurvesFigure) -> list[dict[str, Any]]:
    """Each curve in words and as rows at whole years of age, with a link to its findings."""
    return [
        {
            "row": row,
            "words": end_words(figure, row),
            "ages": [years(age) for age in row.ages],
            "rows": list(_whole_years(row)),
            "findings": findings_address(narrowed(figure.selection, by=figure.by, key=row.key)),
        }
        for row in figure.rows
    ]


def _whole_years(row: CurveRow) -> Iterable[dict[str, Any]]:
    """Values of a curve at whole years, with the failures since the year before."""
    curve = row.curve
    if curve is None:
        return
    for year in range(1, int(curve.stop // DAYS_PER_YEAR) + 1):
        age = year * DAYS_PER_YEAR
        if age < curve.start:
            continue
        estimate = curve.at(age)
        within = (curve.age > age - DAYS_PER_YEAR) & (curve.age <= age)
        yield {
            "year": year,
            "failures": int(curve.events[within].sum()),
            "watched": int(curve.at_risk[curve.age <= age][-1]) if (curve.age <= age).any() else None,
            "found": estimate,
        }
