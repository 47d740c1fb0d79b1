"""Looking up what comes next while what was looked up before is being written."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from django.db import connection, connections

T = TypeVar("T")


def read_ahead(items: Iterator[T]) -> Generator[T]:
    """Give items, each next one looked up in a thread while the caller is at work on the one before.

    The thread only reads, through a connection of its own. It sees what was stored when the item before the
    present one was done; what is stored of the present one it may see or not. On SQLite, where nearly all the
    work is Python's own, and inside a transaction of the caller's, which another connection does not see
    into, an item is looked up once it is asked for.
    """
    if connection.vendor == "sqlite" or connection.in_atomic_block:
        yield from items
        return
    with ThreadPoolExecutor(max_workers=1) as pool:
        try:
            coming = pool.submit(next, items, None)
            while (item := coming.result()) is not None:
                coming = pool.submit(next, items, None)
                yield item
        finally:
            pool.submit(connections.close_all)
