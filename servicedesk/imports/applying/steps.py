"""Writes a checked batch to the register, in small chunks that each store the batch's progress.

A chunk stores its records and the batch's cursor together, so that after a crash the next process resumes
with the row after the last stored one, and the result is the same as if nothing had happened.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing

from django.db import IntegrityError
from django.utils import timezone

from servicedesk.core.database.planner_statistics import renew_statistics
from servicedesk.core.history import write_change
from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation, sentence_for
from servicedesk.core.values.words import counted
from servicedesk.imports.applying.ahead import read_ahead
from servicedesk.imports.applying.growth import Growth
from servicedesk.imports.applying.history import HistoryWriter
from servicedesk.imports.applying.next_dues import MaintenanceWriter
from servicedesk.imports.applying.units import Item, UnitsWriter, Writer
from servicedesk.imports.files.folders import drop_files
from servicedesk.imports.files.names import Names
from servicedesk.imports.leases import PAGES_A_READING, Lease, leased
from servicedesk.imports.models import BatchFile, InputFile, StagedRow
from servicedesk.imports.querysets import StagedRowQuerySet
from servicedesk.imports.staging.repeats import link_repeats
from servicedesk.imports.staging.rows import Progress, clear_staging, silent

TRIES = 3
PAGE = 400 * PAGES_A_READING
"""Rows looked up at once; they are written in chunks of at most `CHUNK_ROWS` records."""

Step = Batch.Step


def apply(batch: Batch, *, progress: Progress = silent) -> None:
    """Write a checked batch to the register, or resume writing it."""
    with leased(batch) as lease:
        if batch.stage == Batch.Stage.CHECKED:
            _begin(lease)
        if batch.stage != Batch.Stage.APPLYING:
            raise RuleViolation(
                f"{str(batch).capitalize()} is {batch.get_stage_display()}; it can't be applied."
            )
        if batch.problem:
            lease.note(problem="")
        try:
            for step in list(Step)[list(Step).index(Step(batch.step)) :]:
                _STEPS[step](lease, progress)
            _finish(lease)
        except (IntegrityError, RuleViolation) as error:
            reason = sentence_for(error) if isinstance(error, IntegrityError) else str(error)
            lease.note(problem=reason)
            raise RuleViolation(reason) from error


def _begin(lease: Lease) -> None:
    """Mark a batch as being applied."""
    batch = lease.batch
    if not batch.keep_good and batch.files.filter(bad__gt=0).exists():
        raise RuleViolation(
            "Some rows are not valid. Fix them and import the files again, or import the valid rows."
        )
    lease.note(stage=Batch.Stage.APPLYING, step=Step.UNITS, cursor=0, work_done=0, work_total=0, problem="")


def _write_file(lease: Lease, progress: Progress, file: InputFile, writer: Writer[Item], step: Step) -> None:
    """Write the rows of one file, a page at a time; on a conflict with another writer, look up again."""
    rows = StagedRow.objects.filter(batch=lease.batch, file=file)
    total = rows.to_apply().count()
    if lease.batch.step != step:
        lease.note(step=step, cursor=0)
    register, tries = Growth(*writer.models), TRIES
    while tries:
        after = lease.batch.cursor
        done = total - rows.to_apply().filter(line__gt=after).count()
        try:
            with closing(read_ahead(writer.prepare(_pages(rows, after=after)))) as pages:
                for page in pages:
                    writer.write(lease, page)
                    done, tries = done + page.rows, TRIES
                    register.by(page.rows)
                    progress(step.label, done, total)
                    lease.note(work_done=done, work_total=total)
            return
        except IntegrityError:
            tries -= 1
            if not tries:
                raise


def _pages(rows: StagedRowQuerySet, *, after: int) -> Iterator[list[StagedRow]]:
    """Rows to apply after a line, a page at a time."""
    while page := list(rows.to_apply().filter(line__gt=after).order_by("line")[:PAGE]):
        yield page
        after = page[-1].line


def _write_units(lease: Lease, progress: Progress) -> None:
    _write_file(lease, progress, InputFile.UNITS, UnitsWriter(lease.batch, Names()), Step.UNITS)


def _write_history(lease: Lease, progress: Progress) -> None:
    _write_file(lease, progress, InputFile.HISTORY, HistoryWriter(lease.batch), Step.HISTORY)


def _link_repeats(lease: Lease, progress: Progress) -> None:
    if lease.batch.step != Step.REPEATS:
        lease.note(step=Step.REPEATS, cursor=0)
    link_repeats(lease, progress)


def _note_maintenance(lease: Lease, progress: Progress) -> None:
    """Put the parts under their maintenance rules, counting the maintenance in the history."""
    if lease.batch.step != Step.MAINTENANCE:
        lease.note(step=Step.MAINTENANCE, cursor=0)
    MaintenanceWriter(lease.batch).write(lease, progress)


def _note_maintenance_elsewhere(lease: Lease, progress: Progress) -> None:
    """Count the maintenance in the history at units that were in the register before."""
    if lease.batch.step != Step.OTHERS:
        lease.note(step=Step.OTHERS, cursor=0)
    MaintenanceWriter(lease.batch).write_elsewhere(lease, progress)


def _clear_up(lease: Lease, progress: Progress) -> None:
    """Count what was applied, and empty the staging of all but the bad rows."""
    if lease.batch.step != Step.CLEARING:
        for record in lease.batch.files.all():
            rows = StagedRow.objects.filter(batch=lease.batch, file=record.file)
            BatchFile.objects.filter(pk=record.pk).update(
                applied=rows.to_apply().count(),
                bad=rows.bad().count(),
                known=rows.filter(state=StagedRow.State.KNOWN).count(),
            )
        lease.note(step=Step.CLEARING, cursor=0)
    progress(Step.CLEARING.label, 0, 1)
    clear_staging(lease, keep_bad=True)
    progress(Step.CLEARING.label, 1, 1)


_STEPS: dict[Step, Callable[[Lease, Progress], None]] = {
    Step.UNITS: _write_units,
    Step.HISTORY: _write_history,
    Step.REPEATS: _link_repeats,
    Step.MAINTENANCE: _note_maintenance,
    Step.OTHERS: _note_maintenance_elsewhere,
    Step.CLEARING: _clear_up,
}


def _finish(lease: Lease) -> None:
    """Close the batch and write its entry in the history."""
    batch, at = lease.batch, timezone.now()
    with lease.chunk(stage=Batch.Stage.APPLIED, finished_at=at, problem=""):
        summary = "; ".join(
            f"{record.get_file_display()}: {counted(record.applied, 'row')} applied, "
            f"{record.known:,} known, {record.bad:,} bad"
            for record in batch.files.order_by("pk")
        )
        write_change(batch, action=summary, by=batch.by, at=at)
    if not batch.files.filter(bad__gt=0).exists():
        drop_files(batch)
    renew_statistics()
