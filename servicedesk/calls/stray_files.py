"""Clearing up after processes that died, or were stopped, while they stored a photo."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings

from servicedesk.calls.models import Photo
from servicedesk.calls.photo_files import HALF, UNSURE

LONG_AGO = timedelta(days=1)
"""After this long nobody is still at it."""


def sweep_photo_files(*, at: datetime) -> int:
    """Throw away halves of files, and photos marked as unsure that no record knows; answer how many went.

    A photo without a mark stays, whether a record knows it or not: after bringing back an older backup it may
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
    """List files with such an ending that were last written before a moment."""
    for path in list(Path(settings.PHOTO_DIR).rglob(f"*{suffix}")):
        with suppress(FileNotFoundError):  # another clock was quicker
            if path.stat().st_mtime < before.timestamp():
                yield path
