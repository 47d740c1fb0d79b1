"""Staging: reads the files of a batch, and checks every cell before anything is applied."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from operator import attrgetter
from typing import Any, TypeVar

from django.db.models import Count, Q, QuerySet
from django.utils import timezone

from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.imports.applying.bulk import Insert
from servicedesk.imports.applying.growth import Growth
from servicedesk.imports.files import columns
from servicedesk.imports.files.folders import path_of
from servicedesk.imports.files.names import Names
from servicedesk.imports.files.reading import Fault, UnreadableFile, open_table
from servicedesk.imports.leases import CHUNK_ROWS, Lease, leased
from servicedesk.imports.models import (
    BatchFile,
    InputFile,
    StagedCustomer,
    StagedProblem,
    StagedRow,
    StagedSite,
)
from servicedesk.imports.querysets import StagedRowQuerySet
from servicedesk.imports.staging.history import HistoryCheck
from servicedesk.imports.staging.periods import PeriodsCheck, settle_periods
from servicedesk.imports.staging.units import UnitsCheck, Verdict

T = TypeVar("T")

Progress = Callable[[str, int, int], None]
"""Progress callback: what is being done, how much of it is done, and how much there is."""

COLUMNS = {
    InputFile.UNITS: columns.UNITS,
    InputFile.PERIODS: columns.PERIODS,
    InputFile.HISTORY: columns.HISTORY,
}
STAGED_FIELDS = ("batch_id", "file", "line", "key", "identity", "facts", "state", "note")
cells_of = attrgetter(*STAGED_FIELDS)
Check = UnitsCheck | PeriodsCheck | HistoryCheck


def silent(what: str, done: int, total: int) -> None:
    """Progress callback that does nothing."""


def stage(batch: Batch, *, progress: Progress = silent) -> None:
    """Stage the files of a batch from the beginning, and decide whether it may be applied.

    Afterward the batch is checked (and may be applied), or refused with its problems named.
    """
    with leased(batch) as lease:
        if batch.stage != Batch.Stage.STAGING:
            raise RuleViolation(f"{str(batch).capitalize()} was checked already.")
        _Staging(lease, progress).run()


class _Staging:
    """One staging run over all files of a batch."""

    def __init__(self, lease: Lease, progress: Progress) -> None:
        self.lease, self.batch, self.progress = lease, lease.batch, progress
        self.today = timezone.localdate(lease.batch.started_at)
        self.files = {InputFile(row.file): row for row in self.batch.files.all()}
        self.rows = Insert(StagedRow, *STAGED_FIELDS)
        self.staged = Growth(StagedRow, StagedSite, StagedCustomer)
        self.done = 0

    def run(self) -> None:
        """Stage periods, then units, which they belong to, then the history of the units."""
        clear_staging(self.lease)
        names = Names()
        self.lease.note(work_done=0, work_total=sum(row.size for row in self.files.values()))
        has_periods = InputFile.PERIODS in self.files
        readable = not has_periods or self._read(PeriodsCheck(self.batch, today=self.today))
        readable &= self._read(UnitsCheck(self.batch, names, today=self.today, has_periods=has_periods))
        if readable and has_periods:
            for verdict in settle_periods(self.batch):
                self._store(verdict, done=self.done)
        if readable and InputFile.HISTORY in self.files:
            readable = self._read(HistoryCheck(self.batch, names, today=self.today))
        self._settle(readable)

    def _read(self, check: Check) -> bool:
        """Stage one file; return whether it could be read to its end."""
        file = self.files[check.file]
        what = f"checking {file.name}"
        try:
            with open_table(path_of(self.batch, check.file).open("rb"), COLUMNS[check.file]) as table:
                for rows in chunks(table.rows(), check.rows_at_once):
                    self._store(check.check(rows), done=self.done + table.bytes_read)
                    self.progress(what, table.bytes_read, file.size)
        except UnreadableFile as error:
            self._give_up(check.file, list(error.faults))
            return False
        except OSError as error:
            reason = f"The file can't be read here any more ({error.strerror}). Import it again."
            self._give_up(check.file, [(1, Fault("", "", reason))])
            return False
        self.done += file.size
        self.progress(what, file.size, file.size)
        return True

    def _store(self, verdict: Verdict, *, done: int) -> None:
        """Write a checked chunk."""
        with self.lease.chunk(work_done=done):
            self.rows.write([cells_of(row) for row in verdict.rows])
            if verdict.book is not None:
                verdict.book.save()
        self.staged.by(len(verdict.rows))
        # Problems are the exception; where they are many they make chunks of their own.
        for state, keys in verdict.turned.items():
            for some in chunks(keys, CHUNK_ROWS - 1):
                with self.lease.chunk():
                    StagedRow.objects.filter(pk__in=some).update(state=state)
        for problems in chunks(verdict.problems, CHUNK_ROWS - 1):
            with self.lease.chunk():
                StagedProblem.objects.bulk_create(problems)

    def _give_up(self, file: InputFile, faults: Iterable[tuple[int, Fault]]) -> None:
        """Record why a file can't be read."""
        with self.lease.chunk():
            StagedProblem.objects.bulk_create(
                problem_of(self.batch, file, line, fault, whole_file=True) for line, fault in faults
            )

    def _settle(self, readable: bool) -> None:
        """Count the rows, and decide whether the batch may be applied."""
        bad = 0
        for file, record in self.files.items():
            rows = StagedRow.objects.filter(batch=self.batch, file=file)
            counts = rows.aggregate(
                rows=Count("pk"),
                bad=Count("pk", filter=Q(state=StagedRow.State.BAD)),
                known=Count("pk", filter=Q(state=StagedRow.State.KNOWN)),
            )
            bad += counts["bad"]
            BatchFile.objects.filter(pk=record.pk).update(**counts)
        refused = not readable or (bad and not self.batch.keep_good and not self.batch.check_only)
        self.lease.note(
            stage=Batch.Stage.REFUSED if refused else Batch.Stage.CHECKED,
            finished_at=timezone.now() if refused else None,
            work_done=self.batch.work_total,
        )


def problem_of(
    batch: Batch, file: InputFile, line: int, fault: Fault, *, whole_file: bool = False
) -> StagedProblem:
    """Build the problem of one fault."""
    return StagedProblem(
        batch=batch,
        file=file,
        line=line,
        column=fault.column[:40],
        value=fault.value[:200],
        reason=fault.reason,
        whole_file=whole_file,
    )


def clear_staging(lease: Lease, *, keep_bad: bool = False) -> None:
    """Empty the staging of a batch; with ``keep_bad`` the bad rows and their problems stay."""
    for file in InputFile:
        for state in StagedRow.State:
            if not (keep_bad and state == StagedRow.State.BAD):
                _clear_rows(lease, StagedRow.objects.filter(batch=lease.batch, file=file, state=state))
    models: list[type[Any]] = [StagedSite, StagedCustomer]
    if not keep_bad:
        models.append(StagedProblem)
    for model in models:
        table = model._base_manager.filter(batch=lease.batch)
        for keys in key_pages(table):
            with lease.chunk():
                table.filter(pk__in=keys).delete()


def _clear_rows(lease: Lease, rows: StagedRowQuerySet) -> None:
    """Delete staged rows in the order of their file, which is the order of their index."""
    last = 0
    while lines := list(
        rows.filter(line__gt=last).order_by("line").values_list("line", flat=True)[: CHUNK_ROWS - 1]
    ):
        with lease.chunk():
            rows.filter(line__gt=last, line__lte=lines[-1]).delete()
        last = lines[-1]


def key_pages(table: QuerySet[Any], size: int = CHUNK_ROWS - 1) -> Iterator[list[int]]:
    """Generate the keys of some records a chunk at a time, while earlier records are deleted."""
    last = 0
    while keys := list(table.filter(pk__gt=last).order_by("pk").values_list("pk", flat=True)[:size]):
        yield keys
        last = keys[-1]


def chunks(rows: Iterable[T], size: int) -> Iterator[list[T]]:
    """Split rows into lists of a size."""
    iterator = iter(rows)
    while chunk := list(islice(iterator, size)):
        yield chunk
