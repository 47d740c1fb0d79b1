"""Periodic work and work asked for after a change, run by celery or by `manage.py clock`."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from schedules import operations
from servicedesk.people.history import through
from servicedesk.people.models.changes import Door


@shared_task(name="schedules.raise_due")
def raise_due() -> str:
    """Put what is due today on the list of work."""
    with through(Door.CLOCK):
        at = timezone.now()
        return f"{operations.raise_due(timezone.localdate(at), at=at)} tasks raised"


@shared_task(name="schedules.plan_new_care")
def plan_new_care() -> str:
    """Put parts under the care rules of their types, where they are not yet."""
    with through(Door.CLOCK):
        made = operations.plan_new_care(operations.last_planned(), at=timezone.now())
        return f"{made} parts came under a rule"
