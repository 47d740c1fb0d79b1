"""Health checks for monitoring: liveness and readiness."""

from __future__ import annotations

import logging
import shutil
from functools import cache

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.db import DatabaseError, connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.http import HttpRequest, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from redis import Redis, RedisError

from servicedesk.office.failed_work import clock_word

log = logging.getLogger(__name__)

LEAST_FREE_BYTES = 1024**3
"""Free bytes below which photos and imported files may soon find no room."""


@login_not_required
@never_cache
@require_safe
def alive(request: HttpRequest) -> JsonResponse:
    """Liveness check: the process answers, without a query."""
    return JsonResponse({"alive": True})


@login_not_required
@never_cache
@require_safe
def ready(request: HttpRequest) -> JsonResponse:
    """Readiness check: 503 where the application can't be used, else what needs attention all the same."""
    try:
        missing = _missing_migrations()
        said = {"database": True, "migrations": "missing" if missing else "applied"}
        if not missing:
            said["clock"] = clock_word(timezone.now())
    except DatabaseError:
        return JsonResponse({"database": False}, status=503)
    said |= {"broker": _broker(), "disk": _disk()}
    return JsonResponse(said, status=503 if missing else 200)


@cache
def _known_migrations() -> frozenset[tuple[str, str]]:
    return frozenset(MigrationLoader(None, ignore_no_migrations=True).disk_migrations)


def _missing_migrations() -> bool:
    """Return whether migrations are missing, and log which; a database newer than this code is no fault."""
    missing = _known_migrations() - set(MigrationRecorder(connection).applied_migrations())
    if missing:
        log.warning("migrations are missing: %s", ", ".join(" ".join(name) for name in sorted(missing)))
    return bool(missing)


def _broker() -> str:
    """State of Redis; without it pages go on and the clock catches up later."""
    if not settings.REDIS_URL:
        return "not used"
    try:
        with Redis.from_url(settings.REDIS_URL, socket_connect_timeout=1, socket_timeout=1) as broker:
            broker.ping()
    except RedisError:
        return "away"
    return "reached"


def _disk() -> str:
    try:
        free = shutil.disk_usage(settings.DATA_DIR).free
    except OSError:
        return "unknown"
    return "low" if free < LEAST_FREE_BYTES else "enough"
