"""Celery tasks of imports."""

from __future__ import annotations

from celery import shared_task

from schedules.periodic import NOTHING
from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.words import count
from servicedesk.imports import operations
from servicedesk.imports.background import APPLY


@shared_task(name=APPLY)
def apply_batch(pk: int) -> str:
    """Do all that is left to do with one import; does nothing while another process has its lease."""
    batch = Batch.objects.get(pk=pk)
    if batch.problem:  # stopped since it was queued
        return batch.problem
    try:
        return f"{operations.resume(batch)} is {batch.get_stage_display()}"
    except (RuleViolation, operations.LeaseLost) as error:
        return str(error)


@shared_task(name="imports.resume_imports")
def resume_imports() -> str:
    """Resume imports that a crash or a restart left unfinished."""
    operations.sweep_folders()
    finished = operations.resume_all()
    return f"{count(finished, 'import')} went on" if finished else NOTHING
