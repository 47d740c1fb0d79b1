"""Record of the runs of periodic tasks, so that pages can show when each last ran."""

from __future__ import annotations

from datetime import datetime

from schedules.models import ClockMark
from schedules.models.clock import FAILED


def note_run(task: str, *, said: str, at: datetime) -> None:
    """Store when a periodic task last ran, its result in words, and since when it has failed."""
    mark, _ = ClockMark.objects.get_or_create(task=task, defaults={"ran_at": at})
    mark.failing_since = (mark.failing_since or at) if said.startswith(FAILED) else None
    mark.ran_at, mark.said = at, said[:200]
    mark.save()
