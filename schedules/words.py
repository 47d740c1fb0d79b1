"""Sentences of task reasons and durations, for pages and calendars."""

from __future__ import annotations

from datetime import date

from servicedesk.core.values.dates import short_date


def maintenance_reason(name: str, *, panel: int, last_done_on: date | None) -> str:
    """What is due and when it was last done, such as "Lubricate the track: last done Apr 2, 2025".

    `TASK_REASON` in `schedules.maintenance.sql` says the same in SQL.
    """
    what = f"{name[:1].upper()}{name[1:]}{f', panel {panel}' if panel else ''}"
    if last_done_on is None:
        return f"{what}: never recorded as done"
    return f"{what}: last done {short_date(last_done_on)}"


def span(minutes: int) -> str:
    """Duration in words: 45 min, 2 h, 1 h 25 min."""
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"
