"""Template context of failure rates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from servicedesk.core.values.words import count, counted
from servicedesk.reports.queries.exclusion_reasons import (
    ExclusionReason,
    findings_address,
)
from servicedesk.reports.queries.listing import found_again_soon
from servicedesk.reports.questions.exclusion_words import exclusion_sentences
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.rates.figure import RatesFigure, narrowed

FEW_ENOUGH = 20_000
"""Most failures for which the sensitivity to repeated faults is computed."""


def rate_lines(figure: RatesFigure) -> list[dict[str, Any]]:
    """Rows of the table of rates with links to their findings."""
    return [
        {
            "row": row,
            "new_family": number == 0 or figure.rows[number - 1].family != row.family,
            "findings": findings_address(narrowed(figure.selection, by=figure.by, key=row.key)),
        }
        for number, row in enumerate(figure.rows)
    ]


def excluded_links(selection: Selection, exclusions: Mapping[str, int]) -> list[dict[str, str]]:
    """Sentences on exclusions, each with a link to its findings where it is about findings."""
    exclusion_reasons = {str(exclusion_reason): exclusion_reason for exclusion_reason in ExclusionReason}
    return [
        {
            "sentence": sentence,
            "findings": findings_address(selection, exclusion_reasons[name])
            if name in exclusion_reasons
            else "",
        }
        for name, sentence in exclusion_sentences(exclusions)
    ]


def sensitivity(figure: RatesFigure) -> str:
    """Sentence on the count of failures if the same failure within a month were always the same fault."""
    if not 0 < figure.events <= FEW_ENOUGH:
        return ""
    again = found_again_soon(figure.selection)
    if not again:
        return ""
    return (
        f"{counted(again, 'failure')} came within 30 days of the same failure at the same unit, and nobody "
        f"recorded that it was the same fault. Counted as one each time, there would be "
        f"{count(figure.events - again, 'failure')} instead of {figure.events:,}."
    )
