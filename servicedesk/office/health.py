"""Whether the desk is alive, and whether it can work: for whoever watches the machine."""

from __future__ import annotations

from datetime import timedelta

from django.contrib.auth.decorators import login_not_required
from django.db import DatabaseError, connection
from django.http import HttpRequest, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from schedules.models import ClockMark

CLOCK_LATE = timedelta(minutes=15)


@login_not_required
@never_cache
@require_safe
def alive(request: HttpRequest) -> JsonResponse:
    """Answer that the process answers; it asks nothing of the database."""
    return JsonResponse({"alive": True})


@login_not_required
@never_cache
@require_safe
def ready(request: HttpRequest) -> JsonResponse:
    """Answer whether the database can be read, and whether the clock ran of late; 503 where it can't be."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        last = ClockMark.objects.order_by("-ran_at").values_list("ran_at", flat=True).first()
    except DatabaseError:
        return JsonResponse({"database": False}, status=503)
    late = last is None or timezone.now() - last > CLOCK_LATE
    return JsonResponse({"database": True, "clock": "late" if late else "on time"})
