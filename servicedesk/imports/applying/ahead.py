"""Prefetching: the next item is looked up while the one before is written."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from django.db import connection, connections

T = TypeVar("T")


def read_ahead(items: Iterator[T]) -> Generator[T]:
    """Generate items, the next one looked up in a thread while the caller works on the one before.

    The thread only reads, through a connection of its own. It sees what was committed when the item before
    the present one was done; what is committed of the present one it may see or not. On SQLite, where nearly
    all the work is Python's own, and inside a transaction of the caller's, which another connection does not
    see, an item is looked up once it is needed.
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
