"""Marks of earlier failures on a unit's drawing."""

from __future__ import annotations

from collections.abc import Iterable

from servicedesk.calls.models import Finding
from servicedesk.core.values.dates import short_date
from units.drawings import CORNER_WORDS, Corner, Mark

MOST_MARKS = 12


def marks_of(findings: Iterable[Finding], panels: int | None) -> list[Mark]:
    """Marks of the panels that failed, the newest first, on panels that the unit is known to have."""
    marks = [
        Mark(
            finding.panel,
            _corner_of(finding),
            f"{finding.mode.name}, {short_date(finding.found_on)}",
        )
        for finding in findings
        if finding.is_failure and finding.panel
    ]
    return [mark for mark in marks if panels and mark.panel <= panels][:MOST_MARKS]


def _corner_of(finding: Finding) -> Corner | None:
    """Corner of a finding as drawings name it."""
    return next((corner for corner in CORNER_WORDS if corner == finding.corner), None)
