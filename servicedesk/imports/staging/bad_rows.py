"""Bad rows of an import, in the form they came in, each with its reasons."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.web.exports import write_table
from servicedesk.imports.files.columns import REASON
from servicedesk.imports.files.folders import path_of
from servicedesk.imports.files.reading import Table, UnreadableFile, open_table
from servicedesk.imports.models import InputFile, StagedProblem
from servicedesk.imports.staging.rows import COLUMNS

PROBLEM_COLUMNS = ("file", "line", "column", "value", REASON)


@dataclass(frozen=True)
class Problem:
    """Problem of one cell."""

    file: str
    line: int
    column: str
    value: str
    reason: str

    def __str__(self) -> str:
        where = f"{self.file}, line {self.line}" + (f", {self.column}" if self.column else "")
        quoted = f" “{self.value}”" if self.value else ""
        return f"{where}{quoted}: {self.reason}"


def problems(batch: Batch, *, most: int | None = None) -> Iterator[Problem]:
    """Generate the problems of a batch's files, from the top of the first file down."""
    names = dict(batch.files.values_list("file", "name"))
    rows = StagedProblem.objects.filter(batch=batch).in_order()
    for row in rows[:most] if most is not None else rows.iterator(chunk_size=500):
        yield Problem(names.get(row.file, row.file), row.line, row.column, row.value, row.reason)


def count_problems(batch: Batch) -> int:
    """Number of cells that can't be read."""
    return StagedProblem.objects.filter(batch=batch).count()


def bad_rows(batch: Batch, file: InputFile) -> Iterator[list[str]]:
    """Generate the bad rows of one file as they came, under its own header and a column of reasons.

    The file is read again beside the list of its problems; both run from the top down, so that neither is
    held in memory.
    """
    try:
        with open_table(path_of(batch, file).open("rb"), COLUMNS[file]) as table:
            yield from _bad_rows(batch, file, table)
    except UnreadableFile:
        return  # what comes after is not known; the list of problems names where it broke off


def _bad_rows(batch: Batch, file: InputFile, table: Table) -> Iterator[list[str]]:
    header = [cell.strip() for cell in table.header]
    reason_at = next((at for at, name in enumerate(header) if name.lower() == REASON), None)
    yield [*_without(header, reason_at), REASON]
    faults = StagedProblem.objects.filter(batch=batch, file=file, whole_file=False).order_by("line", "pk")
    by_line = groupby(faults.iterator(chunk_size=500), key=lambda row: row.line)
    line, group = next(by_line, (0, iter(())))
    for row in table.rows():
        if not line:
            return
        if row.line == line:
            reasons = "; ".join(f"{fault.column}: {fault.reason}".lstrip(": ") for fault in group)
            cells = _without([*row.raw, *[""] * (len(header) - len(row.raw))], reason_at)
            yield [*cells, reasons]
            line, group = next(by_line, (0, iter(())))


def write_bad_rows(batch: Batch, folders: Mapping[InputFile, Path]) -> list[Path]:
    """Write a file of bad rows for each file that has any, ready to be corrected and imported again."""
    written: list[Path] = []
    for record in batch.files.filter(bad__gt=0).order_by("pk"):
        file, stem = InputFile(record.file), Path(record.name).stem
        path = folders[file] / f"{stem}.bad.csv"
        if path in written:
            path = folders[file] / f"{stem}.{file}.bad.csv"
        _write(path, bad_rows(batch, file))
        written.append(path)
    return written


def write_problems(batch: Batch, path: Path) -> Path:
    """Write the whole list of problems to one file."""
    rows = ([row.file, str(row.line), row.column, row.value, row.reason] for row in problems(batch))
    _write(path, _with_header(rows))
    return path


def _with_header(rows: Iterator[list[str]]) -> Iterator[list[str]]:
    yield list(PROBLEM_COLUMNS)
    yield from rows


def _without(cells: list[str], at: int | None) -> list[str]:
    return cells if at is None else cells[:at] + cells[at + 1 :]


def _write(path: Path, rows: Iterator[list[str]]) -> None:
    """Write a table to a temporary file first, so that a crash leaves no partial file."""
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # Bytes that were not UTF-8 are written back as they came; only their owner knows what they mean.
        with part.open("w", encoding="utf-8", errors="surrogateescape", newline="") as out:
            write_table(out, next(rows), rows)
        os.replace(part, path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise RuleViolation(
            f"{path} can't be written: {error.strerror}. Name another folder with --bad-rows."
        ) from error
