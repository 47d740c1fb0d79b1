"""Figures kept for as long as nothing they are made of has changed, and those worked out for one asking.

The key of a kept figure is the version of the records (`Touch`), read before the figure was worked out, and
the question. Time plays no part, except that a question names the day on which the records are read; a day
after it was worked out a figure is thrown away only to save room.

The figures of a large fleet are worked out by a process of their own (`helper`), which takes seconds to
minutes. Whoever asks `for_one_asking` waits for it only so long, and may ask again.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache as once
from functools import cached_property, partial
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

from django.conf import settings
from django.core.cache import caches
from redis.exceptions import RedisError

from servicedesk.logs import told
from servicedesk.people.models import Touch
from servicedesk.reports import helper
from units.models import Unit

Figure = TypeVar("Figure")

ROOM_FOR = 24 * 3600
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Asking:
    """One asking for figures: the version of the records it is about, and when it was asked.

    ``at`` is a moment in seconds since 1970, so that no other asking has the same. ``patience`` is for how
    many seconds one waits for each figure (None: until it is there).
    """

    version: str
    at: float
    patience: float | None = None

    @cached_property
    def is_large(self) -> bool:
        """Whether the fleet is so large that its figures are worked out by a process of their own."""
        return Unit.objects.count() >= settings.FIGURES_APART_FROM


_asking: ContextVar[Asking | None] = ContextVar("asking", default=None)


@contextmanager
def for_one_asking(asking: Asking) -> Iterator[None]:
    """Ask for figures of one version of the records for the length of a with block.

    Raises
    ------
    helper.NotYetError
        By `kept` and `worked_out` in the block, where a figure takes longer than somebody waits for a page.
    """
    token = _asking.set(asking)
    try:
        yield
    finally:
        _asking.reset(token)


def kept(name: str, *asked: object, make: Callable[[], Figure]) -> Figure:
    """Give a figure as it was worked out last, or work it out where records changed since.

    Parameters
    ----------
    name
        Which figure it is.
    asked
        What was asked: frozen values whose ``repr`` says all that matters.
    make
        Works it out; a function of a module, or `functools.partial` of one with values that can be pickled.
    """
    key = _key_of_version(name, asked)
    found: Figure | None = _look(key)
    if found is None and _is_apart():
        return _from_helper(key, make)
    return _made(key, make) if found is None else found


def kept_part(name: str, *asked: object, make: Callable[[], Figure]) -> Figure:
    """Give what several figures rest on as `kept` does, worked out in this process whatever its size."""
    key = _key_of_version(name, asked)
    found: Figure | None = _look(key)
    return _made(key, make) if found is None else found


def _key_of_version(name: str, asked: tuple[object, ...]) -> str:
    asking = _asking.get()
    version = asking.version if asking else Touch.objects.version()
    return f"figure:{name}:{version}:{_named(asked)}"


def _made(key: str, make: Callable[[], Figure]) -> Figure:
    figure = make()
    _keep(key, figure)
    return figure


def worked_out(name: str, *asked: object, make: Callable[[], Figure]) -> Figure:
    """Work a figure out for this asking only: it is made of records whose changes are not told (`Touch`).

    Takes what `kept` takes.
    """
    if not _is_apart():
        return make()
    asking = _asking.get() or Asking(Touch.objects.version(), time.time())
    key = f"figure:{name}:{asking.version}:{asking.at}:{_named(asked)}"
    found: Figure | None = _look(key)
    return _from_helper(key, make) if found is None else found


def answer(key: str, asking: Asking | None, make: Callable[[], Figure]) -> Figure:
    """Work a figure out in the process that is there for it, unless another one has done so meanwhile."""
    token = _asking.set(asking)
    try:
        found: Figure | None = _look(key)
        return _made(key, make) if found is None else found
    finally:
        _asking.reset(token)


def _from_helper(key: str, make: Callable[[], Figure]) -> Figure:
    asking = _asking.get()
    question = helper.Question(key, partial(answer, key, asking, make))
    found: Figure = helper.ask(question, seconds=asking.patience if asking else None)
    return found


def _look(key: str) -> Any:
    """Give what is kept, or None."""
    try:
        return caches["figures"].get(key)
    except RedisError as error:
        log.warning("figures are not kept, because Redis does not answer: %s", error)
        return None


def _keep(key: str, found: object) -> None:
    """Keep a figure; where there is no room for it, it is worked out again."""
    try:
        caches["figures"].set(key, found, timeout=ROOM_FOR)
    except (OSError, RedisError) as error:
        log.warning("a figure is not kept: %s", told(error))


def _is_apart() -> bool:
    """Whether figures are worked out by another process than this one."""
    asking = _asking.get() or Asking("", 0)
    return not helper.is_one() and asking.is_large


def _named(asked: tuple[object, ...]) -> str:
    return sha256(repr((code_version(), asked)).encode()).hexdigest()


@once
def code_version() -> str:
    """Name the code that figures are worked out with: what other code kept is of no use."""
    here = Path(__file__).parent
    content = b"".join(path.read_bytes() for path in sorted(here.rglob("*.py")))
    return sha256(content).hexdigest()
