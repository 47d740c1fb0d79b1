"""Periodic work of the figures, run by celery or by `manage.py clock`."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from schedules.periodic import NOTHING
from servicedesk.people.models import Touch
from servicedesk.reports import operations
from servicedesk.reports.models import BlockCount
from servicedesk.reports.queries.cells import is_large, read_cells_kept
from servicedesk.reports.selection import Selection
from servicedesk.reports.traits import MODE
from servicedesk.reports.watch_figures import false_words
from servicedesk.words import counted

MANY_TOUCHES = 20_000
"""More are thrown away before the night: an import of a large fleet leaves a million on PostgreSQL, and each
page of figures counts them to see whether anything changed."""


@shared_task(name="reports.keep_failure_log")
def keep_failure_log() -> str:
    """Bring the fleet's failure log up to today."""
    at = timezone.now()
    kept = operations.keep_failure_log(today=timezone.localdate(at), at=at)
    Touch.objects.prune()
    return f"{counted(kept.days, 'day')} of the failure log written"


@shared_task(name="reports.watch_lots")
def watch_lots() -> str:
    """Look which lots and types fail more often than the others."""
    at = timezone.now()
    looked = operations.keep_lot_watch(today=timezone.localdate(at), at=at)
    return (
        f"{counted(looked.open, 'flag')} on lots and types, {looked.raised} of them new; "
        f"{looked.cleared} cleared; {false_words(looked.false_a_year)}"
    )


@shared_task(name="reports.count_large_fleet")
def count_large_fleet() -> str:
    """Count a large fleet block by block of sites, so that the page of rates need only count what changes."""
    if not is_large():
        return NOTHING
    if Touch.objects.count() > MANY_TOUCHES:
        Touch.objects.prune()
    today = timezone.localdate()
    for by in ("component", MODE):
        read_cells_kept(Selection(as_of=today), by=by, fill=True)
    BlockCount.objects.filter(as_of__lt=today).delete()
    return "the fleet counted"
