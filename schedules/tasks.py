"""Celery tasks, periodic or queued after a change; also run by `manage.py clock`."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from schedules import operations
from schedules.notifications.deliver import send_due_notifications
from schedules.notifications.queue import write_due_notifications
from schedules.operations.next_dues import PLAN
from schedules.operations.notifications import SEND
from schedules.operations.raising import RAISE
from schedules.operations.week import SOLVE
from schedules.periodic import NOTHING
from servicedesk.core.history import change_source
from servicedesk.core.models.changes import Source
from servicedesk.core.values.words import count


@shared_task(name=RAISE)
def raise_due() -> str:
    """Raise tasks for the maintenance that is due today."""
    with change_source(Source.CLOCK):
        at = timezone.now()
        return f"{count(operations.raise_due(timezone.localdate(at), at=at), 'task')} raised"


@shared_task(name=PLAN)
def plan_next_dues() -> str:
    """Insert the missing next dues of parts under the maintenance rules of their types."""
    with change_source(Source.CLOCK):
        made = operations.plan_next_dues(operations.last_planned(), at=timezone.now())
        return f"{count(made, 'part')} came under a rule"


@shared_task(name=SOLVE)
def solve_weeks() -> str:
    """Plan the weeks that were requested."""
    with change_source(Source.CLOCK):
        solved = operations.solve_waiting_weeks(at=timezone.now())
        return f"{count(solved, 'week')} planned" if solved else NOTHING


@shared_task(name=SEND)
def send_notifications() -> str:
    """Queue the messages that are due, and send the waiting ones."""
    with change_source(Source.CLOCK):
        at = timezone.now()
        made, sent = write_due_notifications(at=at), send_due_notifications(at=at)
        return f"{count(made, 'message')} written, {sent} sent" if made or sent else NOTHING
