"""Lease of a batch: one process at a time works on it, and another takes over from one that died.

A lease is taken on the batch's row, and renewed with every chunk that is written. A process that finds the
lease expired, or its owner gone from this machine, takes the batch over; a process that lost its lease can't
store another chunk, because the renewal comes first in the chunk's own transaction. So nothing is written
twice.
"""

from __future__ import annotations

import os
import secrets
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.db import connection, reset_queries, transaction
from django.utils import timezone

from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation

LEASE_DURATION = timedelta(seconds=60)
CHUNK_ROWS = 250 if connection.vendor == "sqlite" else 10_000
"""Most database rows written at once. SQLite has one writer at a time: nobody who saves something else
waits longer than that takes. On PostgreSQL only those wait who write the same records."""
PAGES_A_READING = 1 if connection.vendor == "sqlite" else 8
"""Number of SQLite's small chunks whose rows are looked up at once."""
SHARE_FOR_OTHERS = 0.25
"""Pause after a chunk on SQLite, as a share of the time the chunk took."""


class LeaseLost(Exception):  # noqa: N818 - what happened, not a fault
    """Raised when another process took the batch over; it resumes from the last stored chunk."""


class Stopped(LeaseLost):
    """Raised when somebody stopped the work on the batch; what is stored stays, and it can be resumed."""


@dataclass
class Lease:
    """Lease of a batch: the exclusive right to write it."""

    batch: Batch
    worker: str

    @contextmanager
    def chunk(self, **progress: Any) -> Iterator[None]:
        """Write one chunk in a transaction that renews the lease and stores the batch's progress.

        Other writers get their turn between this chunk and the next.
        """
        began = time.monotonic()
        with transaction.atomic():
            if connection.vendor == "postgresql" and "stage" not in progress:
                _write_to_disk_later()
            self._renew(**progress)
            yield
        for name, value in progress.items():
            setattr(self.batch, name, value)
        if connection.vendor == "sqlite":  # its writers do not queue: they retry every now and then
            time.sleep((time.monotonic() - began) * SHARE_FOR_OTHERS)
        if settings.DEBUG:
            reset_queries()  # otherwise Django keeps the text of every statement, and memory grows

    def note(self, **progress: Any) -> None:
        """Renew the lease between chunks, storing the progress."""
        with self.chunk(**progress):
            pass

    def _renew(self, **progress: Any) -> None:
        leased = Batch.objects.filter(pk=self.batch.pk, worker=self.worker)
        going = leased if "problem" in progress else leased.filter(problem="")
        if going.update(leased_until=timezone.now() + LEASE_DURATION, **progress) != 1:
            stopped = leased.values_list("problem", flat=True).first()
            if stopped:
                raise Stopped(stopped)
            raise LeaseLost(f"{self.batch} was taken over by another process.")


def _write_to_disk_later() -> None:
    """Commit this transaction asynchronously, where what follows does not rely on its durability.

    A power cut may lose the chunks of the last second, each with its cursor, and they are written again.
    """
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL synchronous_commit TO off")


def is_free(batch: Batch) -> bool:
    """Return whether no live process has the lease of a batch."""
    if not batch.worker or batch.leased_until is None or batch.leased_until <= timezone.now():
        return True
    host, pid, _ = batch.worker.rsplit(":", 2)
    return host == socket.gethostname() and not _is_alive(int(pid))


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:  # alive, and somebody else's
        return True
    return True


@contextmanager
def leased(batch: Batch) -> Iterator[Lease]:
    """Conditional update that takes the lease of a batch; `RuleViolation` where another process has it."""
    worker = f"{socket.gethostname()[:80]}:{os.getpid()}:{secrets.token_hex(4)}"
    with transaction.atomic():
        now = Batch.objects.select_for_update().filter(pk=batch.pk).first()
        if now is None:
            raise RuleViolation(f"{str(batch).capitalize()} was deleted a moment ago.")
        if not is_free(now):
            raise RuleViolation(
                f"{str(now).capitalize()} is being worked on right now. Wait until that is done."
            )
        Batch.objects.filter(pk=batch.pk).update(worker=worker, leased_until=timezone.now() + LEASE_DURATION)
    batch.refresh_from_db()
    try:
        yield Lease(batch, worker)
    finally:
        Batch.objects.filter(pk=batch.pk, worker=worker).update(worker="", leased_until=None)
