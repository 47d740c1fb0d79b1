"""Noting that periodic work ran, so that pages can say when it last did."""

from __future__ import annotations

from datetime import datetime

from schedules.models import ClockMark
from schedules.models.clock import FAILED


def note_run(task: str, *, said: str, at: datetime) -> None:
    """Keep when a periodic task last ran, in a few words what came of it, and since when it has failed."""
    mark, _ = ClockMark.objects.get_or_create(task=task, defaults={"ran_at": at})
    mark.failing_since = (mark.failing_since or at) if said.startswith(FAILED) else None
    mark.ran_at, mark.said = at, said[:200]
    mark.save()
