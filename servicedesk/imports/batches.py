"""Operations on an import as a whole: create, resume, approve, stop, discard."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from datetime import datetime

from django.utils import timezone

from servicedesk.accounts.models import User
from servicedesk.core.history import change_source, write_change
from servicedesk.core.models import Batch
from servicedesk.core.models.changes import Source
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import date_time
from servicedesk.imports.applying.reverting import resume_reverting
from servicedesk.imports.applying.steps import apply
from servicedesk.imports.background import enqueue_resume
from servicedesk.imports.files.folders import Incoming, drop_files, keep_files
from servicedesk.imports.leases import LeaseLost, is_free, leased
from servicedesk.imports.models import BatchFile, InputFile, StagedProblem
from servicedesk.imports.staging.rows import Progress, clear_staging, silent, stage
from units.models import Site

log = logging.getLogger(__name__)


def create_batch(
    files: Mapping[InputFile, Incoming],
    *,
    keep_good: bool,
    care_by: str,
    check_only: bool = False,
    by: User | None,
    at: datetime,
) -> Batch:
    """Create an import from uploaded files, without reading them. A file of units must be among them."""
    if InputFile.UNITS not in files:
        raise RuleViolation({"units": ["Choose the file of units; history and periods go with it."]})
    if care_by not in Site.CareBy.values:
        raise RuleViolation(
            {"care_by": [f"Who does the maintenance is one of {', '.join(Site.CareBy.values)}."]}
        )
    folder, sizes = keep_files(files)
    with atomic_operation(), change_source(Source.IMPORT):
        batch = Batch(
            started_at=at, by=by, folder=folder, keep_good=keep_good, check_only=check_only, care_by=care_by
        )
        batch.full_clean()
        batch.save()
        for file, incoming in files.items():
            record = BatchFile(batch=batch, file=file, name=incoming.name[-200:], size=sizes[file])
            record.full_clean()
            record.save()
        names = " and ".join(incoming.name for incoming in files.values())
        write_change(batch, action=f"files uploaded: {names}", by=by, at=at)
    return batch


def resume(batch: Batch, *, progress: Progress = silent) -> Batch:
    """Do all that is left to do with a batch, from its current stage; return it refreshed."""
    with change_source(Source.IMPORT):
        if batch.stage == Batch.Stage.STAGING:
            stage(batch, progress=progress)
            batch.refresh_from_db()
        if batch.stage == Batch.Stage.APPLYING or (
            batch.stage == Batch.Stage.CHECKED and not batch.check_only
        ):
            apply(batch, progress=progress)
        elif batch.stage == Batch.Stage.REVERTING:
            resume_reverting(batch, progress=progress)
    batch.refresh_from_db()
    return batch


def resume_all() -> int:
    """Resume every import that a crash or a restart left unfinished; return how many were finished."""
    finished = 0
    under_way = Batch.objects.unfinished().filter(problem="")
    for key in list(under_way.values_list("pk", flat=True)):
        batch = under_way.filter(pk=key).first()  # read in turn: it may have been stopped meanwhile
        if batch is None or not is_free(batch):
            continue
        try:
            resume(batch)
            finished += 1
        except (RuleViolation, LeaseLost):
            log.info("%s is in other hands", batch)
    return finished


def approve_good_rows(batch: Batch, *, by: User | None, at: datetime) -> Batch:
    """Approve the good rows of a checked or refused import; bad ones can be corrected and imported later."""
    with atomic_operation(), change_source(Source.IMPORT):
        batch = Batch.objects.select_for_update().get(pk=batch.pk)
        if batch.stage not in (Batch.Stage.CHECKED, Batch.Stage.REFUSED):
            raise RuleViolation(f"{str(batch).capitalize()} is {batch.get_stage_display()} already.")
        if StagedProblem.objects.filter(batch=batch, whole_file=True).exists():
            raise RuleViolation("A file could not be read to its end. Fix it and import it again.")
        batch.stage, batch.keep_good, batch.check_only = Batch.Stage.CHECKED, True, False
        batch.finished_at = None
        batch.full_clean()
        batch.save()
        write_change(batch, action="its valid rows imported", by=by, at=at)
        enqueue_resume(batch)
    return batch


def stop(batch: Batch, *, by: User | None, at: datetime) -> Batch:
    """Stop the work on an import after the chunk that is being written; it can be resumed."""
    with atomic_operation(), change_source(Source.IMPORT):
        batch = Batch.objects.select_for_update().get(pk=batch.pk)
        if batch.stage not in (Batch.Stage.APPLYING, Batch.Stage.REVERTING) or batch.problem:
            raise RuleViolation(
                f"{str(batch).capitalize()} is {batch.get_stage_display()}: nothing is under way."
            )
        who = f" by {by.name}" if by else ""
        batch.problem = f"Stopped{who} at {date_time(timezone.localtime(at))}."
        batch.save(update_fields=["problem"])
        write_change(batch, action=f"stopped while {batch.get_stage_display()}", by=by, at=at)
    return batch


def resume_later(batch: Batch, *, by: User | None, at: datetime) -> None:
    """Queue the resumption of an import that was stopped or could not go on."""
    with change_source(Source.IMPORT), leased(batch) as lease:
        if batch.stage not in (Batch.Stage.APPLYING, Batch.Stage.REVERTING):
            raise RuleViolation(
                f"{str(batch).capitalize()} is {batch.get_stage_display()}: nothing is left to do."
            )
        with lease.chunk(problem=""):
            write_change(batch, action=f"resumed: {batch.get_stage_display()}", by=by, at=at)
    enqueue_resume(batch)


def discard_batch(batch: Batch) -> None:
    """Delete an import of which nothing was applied, with its staging and its files."""
    with leased(batch) as lease:
        if batch.stage not in (Batch.Stage.STAGING, Batch.Stage.CHECKED, Batch.Stage.REFUSED):
            raise RuleViolation(f"{str(batch).capitalize()} is {batch.get_stage_display()}; undo it instead.")
        clear_staging(lease)
        drop_files(batch)
        with lease.chunk():
            batch.delete()
