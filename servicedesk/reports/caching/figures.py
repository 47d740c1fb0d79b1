"""Cache of figures, keyed by question and valid for one version of the records.

The key of a cached figure is the question; the entry has the version of the records (`TableVersion`) that it
was computed from. Time plays no part, except that a question names the day on which the records are read;
entries expire after a day only to save memory.

A page of a large fleet does not compute: it shows what is cached, or raises `FigurePendingError` (see
`background`).
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

from django.core.cache import caches
from django.utils import timezone
from redis.exceptions import RedisError

from servicedesk.core.logs.formatting import describe
from servicedesk.core.models import TableVersion

Figure = TypeVar("Figure")

ROOM_FOR = 24 * 3600
log = logging.getLogger(__name__)


class FigurePendingError(Exception):
    """Figure of a large fleet that is not in the cache yet."""


@dataclass(frozen=True)
class Entry:
    """Cached figure with the version of its records and when its computation began (seconds since 1970)."""

    version: str
    begun_at: float
    figure: Any


@dataclass(frozen=True)
class Reading:
    """Policy by which figures are read from the cache.

    ``since``: accept figures begun at this second since 1970 or later, whatever was written after; None: only
    those of the current version of the records. ``computes``: whether missing ones are computed here.
    ``older``: start times of the accepted figures whose records have changed since.
    """

    since: float | None = None
    computes: bool = True
    older: list[float] = field(default_factory=list)

    @property
    def as_of(self) -> datetime | None:
        """Local time of the oldest outdated figure, None where all are current."""
        return timezone.localtime(datetime.fromtimestamp(min(self.older), UTC)) if self.older else None


_reading: ContextVar[Reading | None] = ContextVar("reading", default=None)


@contextmanager
def reading_figures(reading: Reading) -> Iterator[None]:
    """Context manager that sets how cached figures are read."""
    token = _reading.set(reading)
    try:
        yield
    finally:
        _reading.reset(token)


def is_computing() -> bool:
    """Whether this thread is computing figures in the background."""
    reading = _reading.get()
    return reading is not None and reading.computes


def cached_figure(name: str, *question: object, compute: Callable[[], Figure]) -> Figure:
    """Return a figure from the cache, or compute it where records changed since.

    Parameters
    ----------
    name
        Which figure it is.
    question
        Parameters of the figure: frozen values whose ``repr`` identifies them.
    compute
        Function that computes it; its result must be picklable.

    Raises
    ------
    FigurePendingError
        Where a page of a large fleet reads it, and it is not there.
    """
    return _figure(name, question, compute, version=TableVersion.objects.version())


def fresh_figure(name: str, *question: object, compute: Callable[[], Figure]) -> Figure:
    """Compute a figure of records that bump no `TableVersion`; cached only for a waiting request.

    Takes and raises what `cached_figure` does.
    """
    if _reading.get() is None:
        return compute()
    return _figure(name, question, compute, version="")


def _figure(
    name: str, question: tuple[object, ...], compute: Callable[[], Figure], *, version: str
) -> Figure:
    reading = _reading.get() or Reading()
    figure: Figure
    key = f"figure:{name}:{sha256(repr((code_version(), question)).encode()).hexdigest()}"
    # At least ``since``: with its clock behind, a worker's figures would never be accepted.
    entry, begun_at = _look_up(key), max(time.time(), reading.since or 0.0)
    is_current = entry is not None and version and entry.version == version
    will_do = entry is not None and reading.since is not None and entry.begun_at >= reading.since
    if entry is not None and (is_current or will_do):
        if not is_current:
            reading.older.append(entry.begun_at)
        figure = entry.figure
        return figure
    if not reading.computes:
        raise FigurePendingError(name)
    figure = compute()
    _store(key, Entry(version, begun_at, figure))
    return figure


def _look_up(key: str) -> Entry | None:
    try:
        entry: Entry | None = caches["figures"].get(key)
    except RedisError as error:
        log.warning("figures are not cached, because Redis does not answer: %s", error)
        return None
    return entry


def _store(key: str, entry: Entry) -> None:
    """Cache a figure; an error is logged, and the figure computed again next time."""
    try:
        caches["figures"].set(key, entry, timeout=ROOM_FOR)
    except (OSError, RedisError) as error:
        log.warning("a figure is not cached: %s", describe(error))


@cache
def code_version() -> str:
    """Hash of the source code of all reports, which is part of every cache key."""
    reports = Path(__file__).parents[1]
    content = b"".join(path.read_bytes() for path in sorted(reports.rglob("*.py")))
    return sha256(content).hexdigest()
