"""Template context of surveillance."""

from __future__ import annotations

from typing import Any

from django.utils import timezone

from servicedesk.reports.models import LotFlag, ThinLot
from servicedesk.reports.queries.exclusion_reasons import (
    findings_address,
)
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.sentences import selection_words
from servicedesk.reports.surveillance.figure import (
    MOST_THIN,
    SurveillanceFigure,
    flag_ways,
    own_rate_words,
    thin_words,
)


def flag_findings(flag: LotFlag | ThinLot) -> str:
    """URL of the failures of a lot or type."""
    chosen = Selection(as_of=timezone.localdate()).only("component", flag.component_type_id)
    return findings_address(chosen.only("lot", flag.lot) if flag.lot else chosen)


def flag_lines(figure: SurveillanceFigure) -> list[dict[str, Any]]:
    """Flagged lots and types, each with a link to its failures."""
    return [
        {
            "flag": flags[-1],
            "ways": flag_ways(flags),
            "since": min(flag.raised_on for flag in flags),
            "findings": flag_findings(flags[-1]),
        }
        for flags in figure.standing_out
    ]


def thin_lines(figure: SurveillanceFigure) -> list[dict[str, Any]]:
    """Lots with too few failures to judge, each with the reason, its own rate and a link to its failures."""
    return [
        {
            "lot": lot,
            "why": thin_words(lot),
            "rate": own_rate_words(lot),
            "findings": flag_findings(lot),
        }
        for lot in figure.thin[:MOST_THIN]
    ]


def inspection_reason(selection: Selection) -> str:
    """Default reason of inspections of the units of a list of findings."""
    about = ", ".join(f"{name} {words}" for name, words in selection_words(selection))
    return f"inspect it because of the figures{f': {about}' if about else ''}"[:200]
