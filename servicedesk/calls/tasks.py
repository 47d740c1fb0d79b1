"""Periodic tasks of calls, run by Celery or by `manage.py clock`."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from schedules.periodic import NOTHING
from servicedesk.calls import operations
from servicedesk.calls.stray_files import sweep_photo_files
from servicedesk.calls.thumbnails import make_thumbnails
from servicedesk.core.values.words import count


@shared_task(name="calls.update_service_times")
def update_service_times() -> str:
    """Update the service times from our own records."""
    kinds = operations.update_service_times(at=timezone.now())
    return f"{count(kinds, 'kind')} of work calculated" if kinds else NOTHING


@shared_task(name="calls.make_thumbnails")
def make_small_pictures() -> str:
    """Make the thumbnails of new photos."""
    made = make_thumbnails()
    return f"{count(made, 'small picture')} made" if made else NOTHING


@shared_task(name="calls.sweep_photo_files")
def sweep_files() -> str:
    """Delete files that were left behind while photos were stored."""
    gone = sweep_photo_files(at=timezone.now())
    return f"{count(gone, 'file')} left unfinished deleted" if gone else NOTHING
