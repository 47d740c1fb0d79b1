"""Figures cached until a record they are made of changes; of a large fleet they are computed in background.

The key of a cached figure is the question; beside the figure stands the version of the records
(`TableVersion`) that
it was computed from. Time plays no part, except that a question names the day on which the records are read;
a day after it was computed a figure is thrown away only to save room.

A page of a large fleet does not compute: it shows what is cached, or `FigurePendingError` says that it has to
be computed first (see `background`).
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
    """A figure of a large fleet is not in the cache yet."""


@dataclass(frozen=True)
class Entry:
    """A figure in the cache: the version of its records, and the second since 1970 at which it was begun."""

    version: str
    begun_at: float
    figure: Any


@dataclass(frozen=True)
class Reading:
    """How figures are read for a while.

    ``since``: figures begun at this second since 1970 or later will do, whatever was written after; None:
    only those of the records as they are.
    ``computes``: whether missing ones are computed here. ``older``: when those were begun that were given
    though the records have changed since.
    """

    since: float | None = None
    computes: bool = True
    older: list[float] = field(default_factory=list)

    @property
    def as_of(self) -> datetime | None:
        """From records of which local time the oldest of those figures was computed."""
        return timezone.localtime(datetime.fromtimestamp(min(self.older), UTC)) if self.older else None


_reading: ContextVar[Reading | None] = ContextVar("reading", default=None)


@contextmanager
def reading_figures(reading: Reading) -> Iterator[None]:
    """Context manager: read cached figures as ``reading`` says."""
    token = _reading.set(reading)
    try:
        yield
    finally:
        _reading.reset(token)


def is_computing() -> bool:
    """Whether figures are being computed in the background, in this very thread."""
    reading = _reading.get()
    return reading is not None and reading.computes


def cached_figure(name: str, *question: object, compute: Callable[[], Figure]) -> Figure:
    """Return a figure from the cache, or compute it where records changed since.

    Parameters
    ----------
    name
        Which figure it is.
    question
        What was asked: frozen values whose ``repr`` says all that matters.
    compute
        Computes it; what it returns can be pickled.

    Raises
    ------
    FigurePendingError
        Where a page of a large fleet reads it, and it is not there.
    """
    return _figure(name, question, compute, version=TableVersion.objects.version())


def fresh_figure(name: str, *question: object, compute: Callable[[], Figure]) -> Figure:
    """Compute a figure of records that bump no `TableVersion`; cached only for whoever waits for it.

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
    # A worker whose clock is behind must not compute for ever what nobody takes for new.
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
    """Cache a figure; where there is no room for it, it is computed again."""
    try:
        caches["figures"].set(key, entry, timeout=ROOM_FOR)
    except (OSError, RedisError) as error:
        log.warning("a figure is not cached: %s", describe(error))


@cache
def code_version() -> str:
    """Hash the code that figures are computed with: what other code cached is of no use."""
    here = Path(__file__).parent
    content = b"".join(path.read_bytes() for path in sorted(here.rglob("*.py")))
    return sha256(content).hexdigest()
