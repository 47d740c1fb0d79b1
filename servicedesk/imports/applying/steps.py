"""Writing a checked batch to the register, in small chunks that each note how far the batch has come.

A chunk stores its records and the batch's cursor together, so that after a crash the next process goes on
with the row behind the last stored one, and the result is the same as if nothing had happened.
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
    """Write a checked batch to the register, or go on with writing it."""
    with leased(batch) as hold:
        if batch.stage == Batch.Stage.CHECKED:
            _begin(hold)
        if batch.stage != Batch.Stage.APPLYING:
            raise RuleViolation(
                f"{str(batch).capitalize()} is {batch.get_stage_display()}; it can't be applied."
            )
        if batch.problem:
            hold.note(problem="")
        try:
            for step in list(Step)[list(Step).index(Step(batch.step)) :]:
                _STEPS[step](hold, progress)
            _finish(hold)
        except (IntegrityError, RuleViolation) as error:
            reason = sentence_for(error) if isinstance(error, IntegrityError) else str(error)
            hold.note(problem=reason)
            raise RuleViolation(reason) from error


def _begin(hold: Lease) -> None:
    """Settle that a batch is to be applied."""
    batch = hold.batch
    if not batch.keep_good and batch.files.filter(bad__gt=0).exists():
        raise RuleViolation(
            "Some rows are bad. Mend them and bring the files in again, or let the good rows in."
        )
    hold.note(stage=Batch.Stage.APPLYING, step=Step.UNITS, cursor=0, work_done=0, work_total=0, problem="")


def _write_file(hold: Lease, progress: Progress, file: InputFile, writer: Writer[Item], step: Step) -> None:
    """Write the rows of one file, a page at a time; where somebody else wrote the same, look again."""
    rows = StagedRow.objects.filter(batch=hold.batch, file=file)
    total = rows.to_apply().count()
    if hold.batch.step != step:
        hold.note(step=step, cursor=0)
    register, tries = Growth(*writer.models), TRIES
    while tries:
        after = hold.batch.cursor
        done = total - rows.to_apply().filter(line__gt=after).count()
        try:
            with closing(read_ahead(writer.prepare(_pages(rows, after=after)))) as pages:
                for page in pages:
                    writer.write(hold, page)
                    done, tries = done + page.rows, TRIES
                    register.by(page.rows)
                    progress(step.label, done, total)
                    hold.note(work_done=done, work_total=total)
            return
        except IntegrityError:
            tries -= 1
            if not tries:
                raise


def _pages(rows: StagedRowQuerySet, *, after: int) -> Iterator[list[StagedRow]]:
    """Read the rows to apply behind a line, a page at a time."""
    while page := list(rows.to_apply().filter(line__gt=after).order_by("line")[:PAGE]):
        yield page
        after = page[-1].line


def _write_units(hold: Lease, progress: Progress) -> None:
    _write_file(hold, progress, InputFile.UNITS, UnitsWriter(hold.batch, Names()), Step.UNITS)


def _write_history(hold: Lease, progress: Progress) -> None:
    _write_file(hold, progress, InputFile.HISTORY, HistoryWriter(hold.batch), Step.HISTORY)


def _link_repeats(hold: Lease, progress: Progress) -> None:
    if hold.batch.step != Step.REPEATS:
        hold.note(step=Step.REPEATS, cursor=0)
    link_repeats(hold, progress)


def _note_maintenance(hold: Lease, progress: Progress) -> None:
    """Put the parts under their care rules, counting the care that the history tells of."""
    if hold.batch.step != Step.MAINTENANCE:
        hold.note(step=Step.MAINTENANCE, cursor=0)
    MaintenanceWriter(hold.batch).write(hold, progress)


def _note_maintenance_elsewhere(hold: Lease, progress: Progress) -> None:
    """Count the care that the history tells of at units that were known before."""
    if hold.batch.step != Step.OTHERS:
        hold.note(step=Step.OTHERS, cursor=0)
    MaintenanceWriter(hold.batch).write_elsewhere(hold, progress)


def _clear_up(hold: Lease, progress: Progress) -> None:
    """Count what was applied, and empty the staging of all but the bad rows."""
    if hold.batch.step != Step.CLEARING:
        for record in hold.batch.files.all():
            rows = StagedRow.objects.filter(batch=hold.batch, file=record.file)
            BatchFile.objects.filter(pk=record.pk).update(
                applied=rows.to_apply().count(),
                bad=rows.bad().count(),
                known=rows.filter(state=StagedRow.State.KNOWN).count(),
            )
        hold.note(step=Step.CLEARING, cursor=0)
    progress(Step.CLEARING.label, 0, 1)
    clear_staging(hold, keep_bad=True)
    progress(Step.CLEARING.label, 1, 1)


_STEPS: dict[Step, Callable[[Lease, Progress], None]] = {
    Step.UNITS: _write_units,
    Step.HISTORY: _write_history,
    Step.REPEATS: _link_repeats,
    Step.MAINTENANCE: _note_maintenance,
    Step.OTHERS: _note_maintenance_elsewhere,
    Step.CLEARING: _clear_up,
}


def _finish(hold: Lease) -> None:
    """Close the batch and write the one line of its history."""
    batch, at = hold.batch, timezone.now()
    with hold.chunk(stage=Batch.Stage.APPLIED, finished_at=at, problem=""):
        summary = "; ".join(
            f"{record.get_file_display()}: {counted(record.applied, 'row')} applied, "
            f"{record.known:,} known, {record.bad:,} bad"
            for record in batch.files.order_by("pk")
        )
        write_change(batch, action=summary, by=batch.by, at=at)
    if not batch.files.filter(bad__gt=0).exists():
        drop_files(batch)
    renew_statistics()
