"""Template context of maintenance rules."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import count, counted
from servicedesk.reports.maintenance.figure import MaintenanceFigure
from servicedesk.reports.maintenance.forms import rules_in_force
from servicedesk.reports.queries.exclusion_reasons import (
    findings_address,
)
from servicedesk.reports.questions.selection import AT_MAINTENANCE, Since
from servicedesk.reports.words import amount


def band_lines(figure: MaintenanceFigure) -> list[dict[str, Any]]:
    """Bands of time since maintenance, each with a link to its failures."""
    return [
        {
            "row": band,
            "findings": findings_address(figure.selection.after_maintenance((figure.rule.work, band.place))),
        }
        for band in figure.bands
    ]


def maintenance_notes(figure: MaintenanceFigure) -> list[dict[str, str]]:
    """Sentences on the failures and the maintenance that do not count, the failures with a link to them."""
    seen, before, work = figure.at_maintenance, figure.unknown_events, figure.rule.work
    entries: list[tuple[int, str, Since]] = [
        (
            seen,
            (
                f"{counted(seen, 'failure')} {'was' if seen == 1 else 'were'} first seen on a "
                "maintenance visit: "
                "nobody had to call, and nobody knows since when."
            ),
            (AT_MAINTENANCE, None),
        ),
        (
            before,
            (
                f"{counted(before, 'failure')} in {amount(figure.unknown_years)} part-years came before we "
                f"had {work} the part a first time{', repairs aside' if figure.with_repairs else ''}."
            ),
            (work, None),
        ),
    ]
    notes = [
        {"sentence": sentence, "findings": findings_address(figure.selection.after_maintenance(since))}
        for number, sentence, since in entries
        if number
    ]
    if figure.with_repairs:
        notes.append(
            {
                "sentence": (
                    f"{figure.with_repairs:,} of {count(figure.cares, 'time')} that such a part was {work} "
                    "came with the repair of a failure. The clock runs on there."
                )
            }
        )
    return notes


def new_interval(figure: MaintenanceFigure) -> dict[str, Any]:
    """Initial values of the interval form: the proposed months, and the reason for the rule's history."""
    on = long_date(figure.selection.as_of)
    why = f"figures of {on}: {counted(figure.events, 'failure')} by time since maintenance"
    return {"months": figure.months, "why": why}


def rules_to_ask_about() -> list[dict[str, Any]]:
    """Maintenance rules in force, each with a link to its figure."""
    return [
        {
            "rule": rule,
            "address": reverse("reports:maintenance", query={"rule": rule.pk}),
        }
        for rule in rules_in_force()
    ]
