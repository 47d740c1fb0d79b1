"""Forgetting all that is kept beside the database, as after a start on an empty machine."""

from __future__ import annotations

from django.conf import settings
from django.core.cache import caches


def forget_all() -> None:
    """Throw away what every cache holds."""
    for name in settings.CACHES:
        caches[name].clear()
