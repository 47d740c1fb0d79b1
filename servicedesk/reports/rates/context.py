"""What the templates of failure rates show."""

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
"""With more failures than this, two in one month are no matter of single faults that came back."""


def rate_lines(figure: RatesFigure) -> list[dict[str, Any]]:
    """Rows of the table of rates, each with a link to its findings."""
    return [
        {
            "row": row,
            "new_family": number == 0 or figure.rows[number - 1].family != row.family,
            "findings": findings_address(narrowed(figure.selection, by=figure.by, key=row.key)),
        }
        for number, row in enumerate(figure.rows)
    ]


def excluded_links(selection: Selection, exclusions: Mapping[str, int]) -> list[dict[str, str]]:
    """Sentences on what was left out, each with a link to its findings where it is about findings."""
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
    """Say how the count would fall if the same failure within a month always were the same fault."""
    if not 0 < figure.events <= FEW_ENOUGH:
        return ""
    again = found_again_soon(figure.selection)
    if not again:
        return ""
    return (
        f"{counted(again, 'failure')} came within 30 days of the same failure at the same unit, and nobody "
        f"wrote down that it was the same fault. Counted as one each time, there would be "
        f"{count(figure.events - again, 'failure')} instead of {figure.events:,}."
    )
