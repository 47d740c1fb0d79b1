"""What stood out as rows of a file and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from servicedesk.reports.models import LotFlag
from servicedesk.reports.watch_figures import WatchFigure, flag_words

WATCH_HEADER: Final = [
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
]


def watch_rows(figure: WatchFigure) -> Iterator[list[Any]]:
    """Give the rows of a file of what stands out and what stood out before."""
    for flag in (*figure.open, *figure.cleared.iterator()):
        yield [flag.component_type.get_kind_display(), *_facts(flag).values()]


def watch_json(figure: WatchFigure) -> dict[str, Any]:
    """Give what stands out, and what stood out before, as a JSON document."""
    mark = figure.mark
    return {
        "figure": "lots",
        "looked_on": mark.looked_on.isoformat() if mark else None,
        "lots": mark.lots if mark else 0,
        "types": mark.types if mark else 0,
        "rows": [{**_facts(flag), "words": flag_words(flag)} for flag in figure.open],
        "before": [{**_facts(flag), "words": flag_words(flag)} for flag in figure.cleared.iterator()],
        "exclusions": {},
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
