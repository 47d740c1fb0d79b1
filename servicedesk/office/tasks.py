"""Work of the office that runs in the background: bringing files in, backing up, forgetting."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from celery import shared_task
from django.conf import settings
from django.utils import timezone

from schedules.periodic import NOTHING
from servicedesk.office import backups, intake
from servicedesk.office.privacy import forgetting
from servicedesk.people.history import change_source
from servicedesk.people.models import Batch
from servicedesk.people.models.changes import Source
from servicedesk.refusals import RuleViolation
from servicedesk.words import count


@shared_task(name="office.apply_batch")
def apply_batch(pk: int) -> str:
    """Do all that is left to do with one import; somebody else at work on it is no error."""
    batch = Batch.objects.get(pk=pk)
    if batch.problem:  # stopped since it was asked for
        return batch.problem
    try:
        return f"{intake.go_on(batch)} is {batch.get_stage_display()}"
    except (RuleViolation, intake.HoldLost) as error:
        return str(error)


@shared_task(name="office.resume_imports")
def resume_imports() -> str:
    """Go on with imports that a crash or a restart left half-way."""
    intake.sweep_folders()
    finished = intake.go_on_with_all()
    return f"{count(finished, 'import')} went on" if finished else NOTHING


@shared_task(name="office.forget_old")
def forget_old() -> str:
    """Forget what has been kept for as long as the settings say."""
    with change_source(Source.CLOCK):
        gone = forgetting.forget_old(at=timezone.now())
        return f"{count(gone, 'record')} forgotten" if gone else NOTHING


@shared_task(name="office.back_up")
def back_up() -> str:
    """Make the nightly backup, where a folder for it is named."""
    if not settings.BACKUP_DIR:
        return NOTHING
    folder = Path(settings.BACKUP_DIR)
    with _alone_in(folder) as alone:
        if not alone:
            return "another backup is being made"
        made = backups.make_backup(folder, at=timezone.now())
        gone = backups.prune_backups(folder, keep=settings.BACKUP_KEEP)
        return f"{made.folder.name} made, {count(len(gone), 'old one')} thrown away"


@contextmanager
def _alone_in(folder: Path) -> Iterator[bool]:
    """Tell whether nobody else makes a backup there, and keep others out meanwhile.

    A backup that takes long is handed to a second worker while it is made. The lock goes with its process.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / ".under-way").open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True
