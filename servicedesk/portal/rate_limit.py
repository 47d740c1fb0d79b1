"""Rate limit of pages without sign-in.

Counts are in the cache: with several processes and no Redis each has its own, which multiplies the limit by
their number. That is good enough against a form sent over and over.
"""

from __future__ import annotations

from contextlib import suppress

from django.core.cache import cache
from redis.exceptions import RedisError

HOUR = 3600


def too_many(what: str, who: str, *, most: int, seconds: int = HOUR) -> bool:
    """Count one more request and return whether the limit of the time window is exceeded."""
    key = f"rate:{what}:{who}".replace(" ", "-")
    with suppress(RedisError):
        cache.add(key, 0, timeout=seconds)
        with suppress(ValueError):  # the count expired between the two
            return int(cache.incr(key)) > most
    return False
