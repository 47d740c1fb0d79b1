"""Somebody else in the middle of a transaction, on a connection of their own."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from django.db import connections, transaction


@contextmanager
def somebody_who(does: Callable[[], object], *, held_for: float = 60) -> Iterator[None]:
    """Let another connection do something and commit it after so many seconds, or at the end of the block."""
    begun, enough = threading.Event(), threading.Event()

    def work() -> None:
        try:
            with transaction.atomic():
                does()
                begun.set()
                enough.wait(timeout=held_for)
        finally:
            connections.close_all()

    thread = threading.Thread(target=work)
    thread.start()
    assert begun.wait(timeout=20)
    try:
        yield
    finally:
        enough.set()
        thread.join(timeout=20)
