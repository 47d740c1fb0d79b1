"""Ratio of actual to planned minutes of work, from our own records."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime, timedelta
from statistics import median

from django.utils import timezone

from schedules.models import ServiceTime
from servicedesk.calls.models import Work

LOOKED_BACK = timedelta(days=730)
STARTING_WEIGHT = 10
"""Number of records that weigh as much as the starting value."""
SHORTEST, LONGEST = 0.3, 3.0


def update_service_times(*, at: datetime) -> int:
    """Update the shrunken median ratio of actual to planned minutes by kind of work; return how many kinds.

    The median of the ratios is shrunk toward 1, the starting value, as if ten more records had taken exactly
    the planned minutes; so a few odd records change little.
    """
    since = timezone.localdate(at) - LOOKED_BACK
    rows = Work.objects.filter(
        done_on__gte=since, minutes__gt=0, task__isnull=False, task__minutes__gt=0
    ).values_list("kind", "minutes", "task__minutes")
    ratios: defaultdict[str, list[float]] = defaultdict(list)
    for kind, took, usual in rows.iterator(chunk_size=5000):
        ratios[kind].append((took or 0) / usual)
    for kind, sample in ratios.items():
        drawn = (len(sample) * median(sample) + STARTING_WEIGHT) / (len(sample) + STARTING_WEIGHT)
        ServiceTime.objects.update_or_create(
            work=kind,
            defaults={
                "factor": min(max(drawn, SHORTEST), LONGEST),
                "records": len(sample),
                "computed_at": at,
            },
        )
    return len(ratios)
