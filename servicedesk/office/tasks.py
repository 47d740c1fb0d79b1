"""Work of the office that runs in the background: bringing files in, backing up, forgetting."""

from __future__ import annotations

from pathlib import Path

from celery import shared_task
from django.conf import settings
from django.utils import timezone

from schedules.periodic import NOTHING
from servicedesk.office import backups, intake
from servicedesk.office.privacy import forgetting
from servicedesk.people.history import through
from servicedesk.people.models import Batch
from servicedesk.people.models.changes import Door
from servicedesk.refusals import Refused


@shared_task(name="office.apply_batch")
def apply_batch(pk: int) -> str:
    """Do all that is left to do with one import; somebody else at work on it is no error."""
    batch = Batch.objects.get(pk=pk)
    try:
        return f"{intake.go_on(batch)} is {batch.get_stage_display()}"
    except (Refused, intake.HoldLost) as error:
        return str(error)


@shared_task(name="office.resume_imports")
def resume_imports() -> str:
    """Go on with imports that a crash or a restart left half-way."""
    intake.sweep_folders()
    finished = intake.go_on_with_all()
    return f"{finished} imports went on" if finished else NOTHING


@shared_task(name="office.forget_old")
def forget_old() -> str:
    """Forget what has been kept for as long as the settings say."""
    with through(Door.CLOCK):
        gone = forgetting.forget_old(at=timezone.now())
        return f"{gone} records forgotten" if gone else NOTHING


@shared_task(name="office.back_up")
def back_up() -> str:
    """Make the nightly backup, where a folder for it is named."""
    if not settings.BACKUP_DIR:
        return NOTHING
    made = backups.make_backup(Path(settings.BACKUP_DIR), at=timezone.now())
    gone = backups.prune_backups(Path(settings.BACKUP_DIR), keep=settings.BACKUP_KEEP)
    return f"{made.folder.name} made, {len(gone)} old ones thrown away"
