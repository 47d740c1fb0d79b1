"""Counting how often a page without sign-in is asked for, so that nobody can do so without end.

Counts live in the cache: with several processes and no Redis each has its own, which multiplies the limit by
their number. That is good enough against a form sent over and over.
"""

from __future__ import annotations

from contextlib import suppress

from django.core.cache import cache
from redis.exceptions import RedisError

HOUR = 3600


def too_many(what: str, who: str, *, most: int, seconds: int = HOUR) -> bool:
    """Count one more request and say whether there were more than allowed in a while."""
    key = f"rate:{what}:{who}".replace(" ", "-")
    with suppress(RedisError):
        cache.add(key, 0, timeout=seconds)
        with suppress(ValueError):  # it ran out between the two
            return int(cache.incr(key)) > most
    return False
