"""Cleanup of photo files that a crashed or stopped process left behind."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings

from servicedesk.calls.models import Photo
from servicedesk.calls.photo_files import HALF, UNSURE

LONG_AGO = timedelta(days=1)
"""Age after which nobody is writing the file any more."""


def sweep_photo_files(*, at: datetime) -> int:
    """Delete partial files, and marked photos without a record; return how many.

    A photo without a marker stays, whether a record knows it or not: after restoring an older backup it may
    be the only one of its kind.
    """
    gone = 0
    for half in _left(HALF, before=at - LONG_AGO):
        half.unlink(missing_ok=True)
        gone += 1
    for mark in _left(UNSURE, before=at - LONG_AGO):
        photo = mark.with_suffix(".jpg")
        if photo.exists() and not Photo.objects.filter(name=photo.name).exists():
            photo.unlink(missing_ok=True)
            gone += 1
        mark.unlink(missing_ok=True)
    return gone


def _left(suffix: str, *, before: datetime) -> Iterator[Path]:
    """Files with a suffix that were last written before a moment."""
    for path in list(Path(settings.PHOTO_DIR).rglob(f"*{suffix}")):
        with suppress(FileNotFoundError):  # another worker was quicker
            if path.stat().st_mtime < before.timestamp():
                yield path
