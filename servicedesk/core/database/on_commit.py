"""Celery tasks that are queued once the transaction is committed."""

from __future__ import annotations

import logging
from functools import cache
from typing import Any

from celery import current_app
from django.db import connection, transaction
from django.utils.module_loading import autodiscover_modules

log = logging.getLogger(__name__)


@cache
def know_tasks() -> None:
    """Load the task modules of every app, once: a web process has not loaded them all."""
    autodiscover_modules("tasks")


def enqueue_on_commit(task: str, *args: Any) -> None:
    """Queue a task by name when the transaction commits; queued twice in one transaction, it is sent once.

    A broker that can't be reached is logged and ignored: the record is safe, and the next run of the clock
    finds the same work by query.
    """
    signature = (task, args)
    # What is queued already is sent or discarded with this transaction, as a second one would be.
    if any(getattr(queued[1], "signature", None) == signature for queued in connection.run_on_commit):
        return

    def send() -> None:
        try:
            if current_app.conf.task_always_eager:
                know_tasks()
                current_app.tasks[task].apply(args=args)
            else:
                current_app.send_task(task, args=args, retry=False)
        except Exception:
            log.warning("could not ask for %s; the clock will catch up", task, exc_info=True)

    send.signature = signature  # type: ignore[attr-defined]
    transaction.on_commit(send)
