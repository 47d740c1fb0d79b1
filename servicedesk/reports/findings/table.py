"""CSV rows of the failure log."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

from servicedesk.reports.models import FailureDay

LOG_HEADER: Final = ["day", "kind of part", "type of part", "failure", "failures", "items at risk"]


def log_rows(days: Iterable[FailureDay]) -> Iterator[list[Any]]:
    """Iterate over the CSV rows of the failure log."""
    for day in days:
        kind = day.component_type.get_kind_display()
        items = getattr(day, "items", None)
        yield [day.on.isoformat(), kind, day.component_type.name, day.mode.name, day.failures, items]
