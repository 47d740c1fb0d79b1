"""Queues the work on an import in the background."""

from __future__ import annotations

from celery import current_app
from django.db.models import Sum

from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.models import Batch

APPLY = "imports.apply_batch"
SMALL = 256 * 1024
"""Size of files, in bytes, that take seconds."""


def enqueue_resume(batch: Batch) -> None:
    """Queue all that is left to do with a batch.

    Where tasks run in the calling process, only small files are done at once; the clock takes up the rest,
    so that no page waits for minutes.
    """
    size = batch.files.aggregate(size=Sum("size"))["size"] or 0
    if size <= SMALL or not current_app.conf.task_always_eager:
        enqueue_on_commit(APPLY, batch.pk)
