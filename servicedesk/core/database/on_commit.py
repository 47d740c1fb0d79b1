"""Word sent on once a change is safely stored."""

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
    """Read the tasks of every app, once: a web process has not read them all."""
    autodiscover_modules("tasks")


def enqueue_on_commit(task: str, *args: Any) -> None:
    """Ask for a task by name once the transaction is stored; asked for twice in one, it is sent once.

    A broker that can't be reached is logged and swallowed: the record is safe, and the next tick of the
    clock finds the same work by looking.
    """
    signature = (task, args)
    # What is queued already goes the way of this transaction, as a second one would.
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
