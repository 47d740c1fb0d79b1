"""Reader of CSV files, row by row, whatever the file turns out to contain.

A row that can't be read records its faults cell by cell; a file that can't be read on raises
`UnreadableFile`. Memory stays constant: a row is bounded, and nothing else is kept. This module imports no
Django.

References
----------
RFC 4180, Common Format and MIME Type for Comma-Separated Values (CSV) Files.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain
from typing import BinaryIO, Final

from servicedesk.core.values.words import count
from servicedesk.imports.files.columns import REASON, Columns

DELIMITERS: Final = (",", ";", "\t")
MAX_CELL: Final = 2_000
MAX_ROW: Final = 128 * 1024
SHOWN: Final = 200

AS_UTF_8: Final = "Save the file as CSV in UTF-8 and try again."
_OTHER_FILES: Final = (
    (b"PK\x03\x04", "a spreadsheet or another zipped file"),
    (b"\xd0\xcf\x11\xe0", "an older spreadsheet"),
    (b"\x1f\x8b", "a compressed file"),
    (b"%PDF", "a PDF"),
    (b"<?xml", "an XML file"),
    (b"\xff\xfe", "text in UTF-16"),
    (b"\xfe\xff", "text in UTF-16"),
)
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Fault:
    """Fault of one cell, and how to correct it."""

    column: str
    value: str
    reason: str


class UnreadableFile(Exception):  # noqa: N818 - says what the file is
    """Raised where nothing of a file can be used, or nothing from some line on: each reason with its line."""

    def __init__(self, *faults: tuple[int, Fault]) -> None:
        self.faults = faults
        super().__init__("; ".join(fault.reason for _, fault in faults))


@dataclass(slots=True)
class Row:
    """Row of a file: the line it begins on, its filled cells by column, and its faults."""

    line: int
    cells: dict[str, str]
    raw: list[str]
    faults: list[Fault] = field(default_factory=list)


@contextmanager
def open_table(stream: BinaryIO, columns: Columns) -> Iterator[Table]:
    """Open a stream of bytes as a table, and close it afterward."""
    with stream:
        _refuse_other_files(stream)
        with io.TextIOWrapper(stream, encoding="utf-8-sig", errors="surrogateescape", newline="") as text:
            yield Table(text, columns, tell=stream.tell)


class Table:
    """File opened for reading: its header is checked at once, its rows when iterated."""

    def __init__(self, text: io.TextIOWrapper, columns: Columns, *, tell: Callable[[], int]) -> None:
        self._tell = tell
        self._lines = _Lines(text)
        first = self._first_line()
        if not first:
            raise UnreadableFile(
                (1, Fault("", "", "The file is empty. Send one with a row of column names."))
            )
        self.delimiter = _delimiter_of(first, columns)
        self._reader = csv.reader(chain([first], self._lines), delimiter=self.delimiter, strict=True)
        self.header_line = self._lines.number
        self.header = self._next() or []
        self._names = _names_of(self.header, columns, line=self.header_line)

    def _first_line(self) -> str:
        """First line that is not empty; however many empty ones come before, none is kept."""
        try:
            for line in self._lines:
                if line.strip():
                    return line
                self._lines.row_length = 0
        except _RowTooLong as error:
            reason = f"This is no table of rows. {AS_UTF_8}"
            raise UnreadableFile((self._lines.number, Fault("", "", reason))) from error
        return ""

    @property
    def bytes_read(self) -> int:
        """Position in the file, in bytes."""
        return self._tell()

    def rows(self) -> Iterator[Row]:
        """Generate the rows that are not empty."""
        while True:
            start = self._lines.number + 1
            self._lines.row_length = 0
            raw = self._next()
            if raw is None:
                return
            if any(map(str.strip, raw)):
                yield self._row(start, raw)

    def _next(self) -> list[str] | None:
        start = self._lines.number + 1
        try:
            return next(self._reader, None)
        except (csv.Error, _RowTooLong) as error:
            reason = (
                "The quotes of this row do not close, or it is far too long, so that nothing after it can be "
                'read. Write a quote inside a quoted cell twice (""), and close every quoted cell.'
            )
            line = min(start, self._lines.number)
            raise UnreadableFile((line, Fault("", shown(str(error)), reason))) from error

    def _row(self, line: int, raw: list[str]) -> Row:
        names = self._names
        row = Row(line, {}, raw)
        joined = "".join(raw)
        suspect = len(joined) > MAX_CELL or "\0" in joined or not _is_utf_8(joined)
        for name, cell in zip(names, raw, strict=False):
            if not cell or (suspect and not _check_cell(row, name, cell)):
                continue
            text = _plain(cell)
            if text and name != REASON:
                row.cells[name] = text
        if len(raw) > len(names) and any(map(str.strip, raw[len(names) :])):
            extra = next(cell for cell in raw[len(names) :] if cell.strip())
            row.faults.append(
                Fault(
                    "",
                    shown(extra),
                    f"The row has {count(len(raw), 'cell')}, the header {len(names)}. Put a cell that "
                    f"holds the delimiter ({_called(self.delimiter)}) in double quotes, or take the extra "
                    "cells out.",
                )
            )
        return row


class _RowTooLong(Exception):  # noqa: N818 - says what the row is
    """Raised for a row beyond every bound."""


class _Lines:
    """Lines of a file, counted as an editor counts them."""

    def __init__(self, text: io.TextIOWrapper) -> None:
        self._text = text
        self.number = 0
        self.row_length = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._text.readline(MAX_ROW + 1)
        if not line:
            raise StopIteration
        self.number += 1
        self.row_length += len(line)
        if self.row_length > MAX_ROW:
            raise _RowTooLong(f"more than {MAX_ROW:,} characters")
        return line


def shown(text: str) -> str:
    """Cell cleaned and cut for display: no control characters, no invalid bytes, a bounded length."""
    plain = "".join(character if character.isprintable() else " " for character in text[: SHOWN + 1])
    return f"{plain[: SHOWN - 1]}…" if len(plain) > SHOWN else plain


def _refuse_other_files(stream: BinaryIO) -> None:
    """Refuse a file that is no text table, naming its format; nothing is ever unpacked."""
    start = stream.read(8)
    stream.seek(0)
    for mark, what in _OTHER_FILES:
        if start.startswith(mark):
            raise UnreadableFile((1, Fault("", "", f"This is {what}, not comma-separated text. {AS_UTF_8}")))


def _delimiter_of(header: str, columns: Columns) -> str:
    """Delimiter under which the header names most of the known columns."""

    def known(delimiter: str) -> int:
        return sum(columns.known_as(_plain(cell)) is not None for cell in _split(header, delimiter))

    return max(DELIMITERS, key=known)


def _split(line: str, delimiter: str) -> list[str]:
    return [cell.strip().strip('"') for cell in line.split(delimiter)]


def _names_of(header: list[str], columns: Columns, *, line: int) -> list[str]:
    """Match the header with the known columns, or report all that is wrong with it."""
    while header and not header[-1].strip():
        header = header[:-1]
    faults: list[tuple[int, Fault]] = []
    names: list[str] = []
    for typed in header:
        name = columns.known_as(_plain(typed)) if _is_utf_8(typed) else None
        if name is None:
            what = "has no name" if not typed.strip() else "is unknown here"
            reason = f"This column {what}. {columns.file} may have: {', '.join(columns.names)}."
            faults.append((line, Fault(shown(_plain(typed))[:40], shown(typed), reason)))
        elif name in names:
            reason = f"There are two columns named {name}. Take one out."
            faults.append((line, Fault(name, shown(typed), reason)))
        names.append(name or "")
    missing = [name for name in columns.names if name in columns.required and name not in names]
    faults += [
        (line, Fault(name, "", f"The column {name} is missing, and {columns.file} needs it. Add it."))
        for name in missing
    ]
    if faults:
        raise UnreadableFile(*faults)
    return names


def _plain(cell: str) -> str:
    """Trim a cell, and remove the apostrophe that our own files put before what looks like a formula."""
    text = cell.strip()
    if text[:1] == "'" and text[1:2] in _FORMULA_STARTS and len(text) > 1:
        return text[1:].strip()
    return text


def _check_cell(row: Row, name: str, cell: str) -> bool:
    """Record why one cell of a suspect row can't be read; return whether it can."""
    column, before = "" if name == REASON else name, len(row.faults)
    if len(cell) > MAX_CELL:
        reason = f"The cell has {len(cell):,} characters; {MAX_CELL:,} are the most. Shorten it."
        row.faults.append(Fault(column, shown(cell), reason))
    if "\0" in cell:
        row.faults.append(Fault(column, shown(cell), f"The cell holds a zero byte. {AS_UTF_8}"))
    if not _is_utf_8(cell):
        at = next(place for place, character in enumerate(cell) if "\udc80" <= character <= "\udcff")
        reason = (
            f"Byte {ord(cell[at]) - 0xDC00:#04x}, character {at + 1} of the cell on line {row.line}, "
            f"is not UTF-8. {AS_UTF_8}"
        )
        row.faults.append(Fault(column, shown(cell), reason))
    return len(row.faults) == before


def _is_utf_8(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _called(delimiter: str) -> str:
    return {",": "comma", ";": "semicolon", "\t": "tab"}[delimiter]
