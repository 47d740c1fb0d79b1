"""CSV rows and JSON of surveillance."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from servicedesk.reports.models import LotFlag, ThinLot
from servicedesk.reports.questions.judgements import PER
from servicedesk.reports.surveillance.figure import (
    SurveillanceFigure,
    false_sentence,
    flag_words,
    own_rate,
    surveillance_sentence,
    thin_words,
)

SURVEILLANCE_HEADER: Final = [
    "kind of part",
    "type of part",
    "lot",
    "how it stands out",
    "raised on",
    "cleared on",
    "failures",
    "failures expected",
    "sites with failures",
    "items",
    "sites",
    "item-years",
    "times as often",
    "from (95 %)",
    "to (95 %)",
    "share of false alarms",
    "above expectation",
    "by chance at most",
    f"own rate from (95 %, per {PER} item-years)",
    "own rate to",
]


def surveillance_rows(figure: SurveillanceFigure) -> Iterator[list[Any]]:
    """Iterate over the CSV rows of open and cleared flags, and of lots with too few failures to judge."""
    for flag in (*figure.open, *figure.cleared.iterator()):
        yield [flag.component_type.get_kind_display(), *_facts(flag).values(), None, None]
    for lot in figure.thin:
        yield _thin_row(lot)


def surveillance_json(figure: SurveillanceFigure) -> dict[str, Any]:
    """JSON document of open and cleared flags, and of lots with too few failures to judge."""
    mark = figure.mark
    return {
        "figure": "lots",
        "looked_on": mark.surveyed_on.isoformat() if mark else None,
        "lots": mark.lots if mark else 0,
        "types": mark.types if mark else 0,
        "tested": mark.tested if mark else None,
        "false_a_year": mark.false_a_year if mark else None,
        "sentence": surveillance_sentence(figure),
        "false_sentence": false_sentence(figure),
        "rows": [{**_facts(flag), "words": flag_words(flag)} for flag in figure.open],
        "before": [{**_facts(flag), "words": flag_words(flag)} for flag in figure.cleared.iterator()],
        "too_thin": [_thin_facts(lot) for lot in figure.thin],
        "exclusions": {},
    }


def _thin_row(lot: ThinLot) -> list[Any]:
    """CSV row of a lot with too few failures to judge, with empty cells for what is not known."""
    facts = _thin_facts(lot)
    return [
        lot.component_type.get_kind_display(),
        *(facts[name] for name in ("component", "lot", "words")),
        *(None, None),
        *(facts[name] for name in ("events", "expected", "failed_sites", "items", "sites", "item_years")),
        *[None] * 6,
        *(facts["rate_low"], facts["rate_high"]),
    ]


def _thin_facts(lot: ThinLot) -> dict[str, Any]:
    low, high = own_rate(lot)
    return {
        "component": lot.component_type.name,
        "lot": lot.lot,
        "words": thin_words(lot),
        "events": lot.events,
        "expected": lot.expected,
        "failed_sites": lot.failed_sites,
        "items": lot.items,
        "sites": lot.sites,
        "item_years": lot.years,
        "rate_low": low,
        "rate_high": high,
    }


def _facts(flag: LotFlag) -> dict[str, Any]:
    return {
        "component": flag.component_type.name,
        "lot": flag.lot,
        "way": flag.get_way_display(),
        "raised_on": flag.raised_on.isoformat(),
        "cleared_on": flag.cleared_on.isoformat() if flag.cleared_on else None,
        "events": flag.events,
        "expected": flag.expected,
        "failed_sites": flag.failed_sites,
        "items": flag.items,
        "sites": flag.sites,
        "item_years": flag.years,
        "times": flag.times,
        "times_low": flag.times_low,
        "times_high": flag.times_high,
        "q_value": flag.q_value,
        "running": flag.running,
        "limit": flag.limit,
    }
