"""CSV rows and JSON of failures by time since maintenance."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from servicedesk.reports.maintenance.figure import MaintenanceFigure, maintenance_sentence
from servicedesk.reports.tables.cells import PER_WORDS, finite, limits


def maintenance_header(figure: MaintenanceFigure) -> list[str]:
    """Column headers of the CSV file of failures by time since maintenance."""
    return [
        f"time since {figure.rule.work}",
        "failures",
        "items",
        "sites",
        "item-years",
        f"failures per {PER_WORDS}",
        "from, allowing for sites (95 %)",
        "to, allowing for sites (95 %)",
        "times as often as soon after care",
        "from (95 %)",
        "to (95 %)",
        "why none",
        "best interval in months",
        "from (within 5 % of the least cost)",
        "to (within 5 % of the least cost)",
        "cost of a part a year now",
        "at the best interval",
        "why no interval",
        "what the records say",
        "times cared for",
        "of these with a repair",
        "replace at the age of (years)",
        "from (within 5 % of the least cost)",
        "to (within 5 % of the least cost)",
        "why no age",
    ]


def maintenance_rows(figure: MaintenanceFigure) -> Iterator[list[Any]]:
    """Iterate over the CSV rows of failures by time since maintenance; the first also has the interval."""
    best = finite(figure.best or (None, None, None))
    replacing = [*finite(figure.replacing.best or (None, None, None)), figure.replacing.reason]
    counts = [maintenance_sentence(figure), figure.cares, figure.with_repairs]
    for number, band in enumerate(figure.bands):
        judged = band.judged
        ratio = finite(band.ratio or (None, None, None))
        interval = [*best, figure.now, figure.least, figure.reason, *counts, *replacing]
        whole = interval if number == 0 else [None] * len(interval)
        yield [
            band.name,
            band.events,
            band.items,
            band.sites,
            band.years,
            judged.rate,
            judged.wide_low,
            judged.wide_high,
            *ratio,
            judged.reason or band.reason,
            *whole,
        ]


def maintenance_json(figure: MaintenanceFigure) -> dict[str, Any]:
    """JSON document of failures by time since maintenance; a value not known is null with its reason."""
    rule, costs = figure.rule, figure.costs
    return {
        "figure": "care",
        "per": PER_WORDS,
        "as_of": figure.selection.as_of.isoformat(),
        "rule": rule.name,
        "component": rule.component_type.name,
        "usual_months": rule.interval_months,
        "costs": {
            "care": costs.maintenance,
            "failure": costs.failure,
            "replacing": costs.replacing,
            "given": costs.given,
        },
        "rows": [
            {
                "since": band.name,
                "events": band.events,
                "items": band.items,
                "sites": band.sites,
                "item_years": band.years,
                "rate": band.judged.rate,
                "wide_low": band.judged.wide_low,
                "wide_high": band.judged.wide_high,
                "times": limits(band.ratio),
                **({"reason": reason} if (reason := band.judged.reason or band.reason) else {}),
            }
            for band in figure.bands
        ],
        "shape": limits(figure.shape),
        "best_months": limits(figure.best),
        "best_months_at_limits": finite(figure.at_limits or (None, None)),
        "cost_now": figure.now,
        "cost_least": figure.least,
        "parts": figure.parts,
        "saved_a_year": figure.saved,
        "reason": figure.reason,
        "sentence": maintenance_sentence(figure),
        "clear": figure.better,
        "times_cared_for": figure.cares,
        "of_these_with_a_repair": figure.with_repairs,
        "replace_at_years": limits(figure.replacing.best),
        "replace_at_limits": finite(figure.replacing.at_limits or (None, None)),
        "replace_reason": figure.replacing.reason,
        "exclusions": {},
    }
