"""The SQLite file a desk is moved from: one moment of it, read as it lies there, and never written."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from servicedesk.refusals import Refused

from .tables import AT_ONCE, Row, Sum, Table

PATIENCE = 20.0  # seconds for a writer to finish


class OldFile:
    """The file as it was when it was opened, for the length of a with block.

    Reading happens in one transaction, so writes that come meanwhile don't show; `stand_still` finds them.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._watch = sqlite3.connect(path, timeout=PATIENCE, isolation_level=None)
        self._version = self._now()
        self._moment = self._reader()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._moment.close()
        self._watch.close()

    def rows(self, table: Table) -> Iterator[list[Row]]:
        """Read a table in the order of its key, some thousand rows at once.

        Raises
        ------
        Refused
            Naming table, row and column of a value that is not of its column's kind.
        """
        return _rows(self._moment, table)

    def last_key(self, table: Table) -> int:
        """Give the greatest key the table ever gave out, also to rows that are gone: none is used twice."""
        asked = "SELECT seq FROM sqlite_sequence WHERE name = ?"
        found = self._moment.execute(asked, [table.name]).fetchone()
        return int(found[0]) if found else 0

    def strangers(self, tables: list[Table]) -> list[str]:
        """Name the tables in the file that no model of this version knows."""
        known = {table.name for table in tables} | {"django_migrations"}
        asked = (
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
        )
        return sorted(name for (name,) in self._moment.execute(asked) if name not in known)

    def stand_still(self, sums: list[Sum]) -> None:
        """Keep writers out until the with block ends, after making sure that none wrote since it began.

        Raises
        ------
        Refused
            Naming the tables that were written to.
        """
        busy = (
            f"{self.path} was written to while it was moved{{}}, so nothing was kept. Stop the desk (server, "
            "workers, clock), then move it again."
        )
        try:
            self._watch.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            raise Refused(busy.format("")) from error
        if self._now() == self._version:
            return
        with closing(self._reader()) as reader:
            changed = [told.table.name for told in sums if not told.same_as(self._sum(reader, told.table))]
        if changed:
            raise Refused(busy.format(f" ({', '.join(changed)})"))

    def _now(self) -> int:
        return int(self._watch.execute("PRAGMA data_version").fetchone()[0])

    def _reader(self) -> sqlite3.Connection:
        reader = sqlite3.connect(
            f"{self.path.absolute().as_uri()}?mode=ro", uri=True, timeout=PATIENCE, isolation_level=None
        )
        reader.text_factory = lambda raw: raw.decode(errors="surrogateescape")
        reader.execute("BEGIN")
        reader.execute(
            "SELECT COUNT(*) FROM sqlite_master"
        ).fetchone()  # the moment is that of the first look
        return reader

    @staticmethod
    def _sum(reader: sqlite3.Connection, table: Table) -> Sum:
        found = Sum(table)
        for rows in _rows(reader, table):
            found.add(rows)
        return found


def _rows(reader: sqlite3.Connection, table: Table) -> Iterator[list[Row]]:
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    cursor = reader.execute(f'SELECT {names} FROM "{table.name}" ORDER BY "{table.key}"')  # noqa: S608 - ours
    reads = [column.kind.read for column in table.columns]
    while raws := cursor.fetchmany(AT_ONCE):
        try:
            yield [
                tuple([raw if raw is None else read(raw) for raw, read in zip(row, reads, strict=True)])
                for row in raws
            ]
        except (ValueError, TypeError, ArithmeticError):
            _name_first_unreadable(table, raws)
            raise


def _name_first_unreadable(table: Table, raws: list[Any]) -> None:
    for row in raws:
        for raw, column in zip(row, table.columns, strict=True):
            try:
                _ = raw is None or column.kind.read(raw)
            except (ValueError, TypeError, ArithmeticError) as error:
                raise Refused(
                    f"{table.place(row, column.name)} can't be read: {error}. Mend it in the old desk, then "
                    "move again; nothing was kept."
                ) from error
