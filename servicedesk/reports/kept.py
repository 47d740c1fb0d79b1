"""Figures kept for as long as nothing they are made of has changed.

The key of a kept figure is the version of the records (`Touch`), read before the figure was worked out, and
the question. Time plays no part, except that a question names the day on which the records are read; a day
after it was worked out a figure is thrown away only to save room.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import cache as once
from hashlib import sha256
from pathlib import Path
from typing import TypeVar

from django.core.cache import cache
from redis.exceptions import RedisError

from servicedesk.people.models import Touch

Figure = TypeVar("Figure")

ROOM_FOR = 24 * 3600
log = logging.getLogger(__name__)


def kept(name: str, *asked: object, make: Callable[[], Figure]) -> Figure:
    """Give a figure as it was worked out last, or work it out where records changed since.

    Parameters
    ----------
    name
        Which figure it is.
    asked
        What was asked: frozen values whose ``repr`` says all that matters.
    make
        Works it out.
    """
    question = sha256(repr((code_version(), asked)).encode()).hexdigest()
    key = f"figure:{name}:{Touch.objects.version()}:{question}"
    try:
        found: Figure | None = cache.get(key)
    except RedisError as error:
        log.warning("figures are not kept, because Redis does not answer: %s", error)
        return make()
    if found is None:
        found = make()
        cache.set(key, found, timeout=ROOM_FOR)
    return found


@once
def code_version() -> str:
    """Name the code that figures are worked out with: what other code kept is of no use."""
    here = Path(__file__).parent
    content = b"".join(path.read_bytes() for path in sorted(here.rglob("*.py")))
    return sha256(content).hexdigest()
