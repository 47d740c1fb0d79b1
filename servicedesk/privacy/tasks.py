"""Celery task of retention."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from schedules.periodic import NOTHING
from servicedesk.core.history import change_source
from servicedesk.core.models.changes import Source
from servicedesk.core.values.words import count
from servicedesk.privacy import retention


@shared_task(name="privacy.apply_retention")
def apply_retention() -> str:
    """Delete and anonymize what is past its retention period."""
    with change_source(Source.CLOCK):
        gone = retention.apply_retention(at=timezone.now())
        return f"{count(gone, 'record')} forgotten" if gone else NOTHING
