"""Celery task of the nightly backup."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from celery import shared_task
from django.conf import settings
from django.utils import timezone

from schedules.periodic import NOTHING
from servicedesk.backup import backups
from servicedesk.core.values.words import count


@shared_task(name="backup.back_up")
def back_up() -> str:
    """Make the nightly backup, where a folder for it is configured."""
    if not settings.BACKUP_DIR:
        return NOTHING
    folder = Path(settings.BACKUP_DIR)
    with _alone_in(folder) as alone:
        if not alone:
            return "another backup is being made"
        made = backups.make_backup(folder, at=timezone.now())
        gone = backups.prune_backups(folder, keep=settings.BACKUP_KEEP)
        return f"{made.folder.name} made, {count(len(gone), 'old one')} thrown away"


@contextmanager
def _alone_in(folder: Path) -> Iterator[bool]:
    """File lock of a backup folder; false where another process has it.

    A backup that takes long is delivered to a second worker while it is made. The lock ends with its process.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / ".under-way").open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True
