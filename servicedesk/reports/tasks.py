"""Periodic tasks of the figures, run by Celery or by `manage.py clock`.

Numerics are imported by the task that needs them: the clock imports all tasks and runs most at night.
"""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from schedules.periodic import NOTHING
from servicedesk.core.models import TableVersion
from servicedesk.core.values.words import counted
from servicedesk.reports.caching.background import COMPUTE, compute_requested_figures

MANY_VERSIONS = 20_000
"""Number of versions above which they are pruned before the night: an import of a large fleet leaves a
million on PostgreSQL, and each page of figures counts them to see whether anything changed."""


@shared_task(name="reports.keep_failure_log")
def keep_failure_log() -> str:
    """Update the failure log up to today."""
    from servicedesk.reports import operations

    at = timezone.now()
    result = operations.keep_failure_log(today=timezone.localdate(at), at=at)
    TableVersion.objects.prune()
    return f"{counted(result.days, 'day')} of the failure log written"


@shared_task(name="reports.run_surveillance")
def run_surveillance() -> str:
    """Run the nightly surveillance of lots and types."""
    from servicedesk.reports import operations
    from servicedesk.reports.surveillance.figure import false_words

    at = timezone.now()
    inspected = operations.run_surveillance(today=timezone.localdate(at), at=at)
    return (
        f"{counted(inspected.open, 'flag')} on lots and types, {inspected.raised} of them new; "
        f"{inspected.cleared} cleared; {false_words(inspected.false_a_year)}"
    )


@shared_task(name=COMPUTE)
def compute_figures() -> str:
    """Compute the requested figures of a large fleet."""
    if TableVersion.objects.count() > MANY_VERSIONS:
        TableVersion.objects.prune()
    computed = compute_requested_figures(at=timezone.now())
    return f"figures of {counted(computed, 'page')} computed" if computed else NOTHING
