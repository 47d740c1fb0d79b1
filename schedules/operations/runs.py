"""Noting that periodic work ran, so that pages can say when it last did."""

from __future__ import annotations

from datetime import datetime

from schedules.models import ClockMark


def note_run(task: str, *, said: str, at: datetime) -> None:
    """Keep when a periodic task last ran, and in a few words what came of it."""
    ClockMark.objects.update_or_create(task=task, defaults={"ran_at": at, "said": said[:200]})
