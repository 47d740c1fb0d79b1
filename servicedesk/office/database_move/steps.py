"""The steps of a move, one after the other; whatever fails, the new database stays without records."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from django.db import Error, connection
from django.db.migrations.executor import MigrationExecutor

from servicedesk.refusals import Refused
from servicedesk.words import count

from .new_database import NewDatabase, NotTaken
from .old_file import OldFile
from .tables import Row, Sum, Table, desk_tables, first_difference


@dataclass(frozen=True)
class Moved:
    """What was moved: the rows of each table, all compared, and tables of the file that no model knows."""

    file: Path
    rows: dict[str, int]
    left: list[str]


def move_desk(address: str, *, tell: Callable[[str], object]) -> Moved:
    """Copy this desk's records into an empty PostgreSQL database, and compare all of them.

    The file is only read. ``tell`` hears of each table when it is copied.

    Raises
    ------
    Refused
        When the desk is not on SQLite or behind with its migrations, the database can't be used or is not
        empty, holds a value back, differs afterwards, or the file was written to meanwhile. The new database
        has no records then.
    """
    file = _file_of_this_desk()
    try:
        return _move(file, address, tell)
    except (Error, sqlite3.Error) as error:
        reason = (str(error).strip().splitlines() or [type(error).__name__])[0]
        raise Refused(
            f"It broke off: {reason}. Move again; should the records have arrived after all, it will say so."
        ) from error


def _move(file: Path, address: str, tell: Callable[[str], object]) -> Moved:
    tables = desk_tables()
    with NewDatabase(address) as new, OldFile(file) as old:
        new.make_tables()
        try:
            with new.filling(tables):
                sums = _copy(tables, old, new, tell)
                new.keep_rules(tables)
                _compare(sums, old, new)
                old.stand_still(sums)
        except NotTaken as told:
            raise Refused(
                f"PostgreSQL does not take what stands in {new.explained(told)}. Mend it in the old desk, "
                "then move again; nothing was kept."
            ) from told
        return Moved(file, {each.table.name: each.rows for each in sums}, old.strangers(tables))


def _file_of_this_desk() -> Path:
    if connection.vendor != "sqlite":
        raise Refused(
            "This desk is not on SQLite: only a desk whose DATABASE_URL is empty or names a SQLite file is "
            "moved."
        )
    file = Path(connection.settings_dict["NAME"])
    if not file.is_file():
        raise Refused(f"{file} is not there, so there is nothing to move: check DATA_DIR and DATABASE_URL.")
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        raise Refused("This desk is behind with its migrations: run manage.py migrate first.")
    if newer := sorted(set(executor.loader.applied_migrations) - set(executor.loader.disk_migrations)):
        raise Refused(
            f"This desk was used with a newer version (it has {'.'.join(newer[0])}): upgrade first."
        )
    connection.close()
    return file


def _copy(tables: list[Table], old: OldFile, new: NewDatabase, tell: Callable[[str], object]) -> list[Sum]:
    sums: list[Sum] = []
    for table in tables:
        found, full = Sum(table), {each.table.name for each in sums}
        for rows in old.rows(table):
            new.write(table, rows, after=full)
            found.add(rows)
        new.go_on_after(table, old.last_key(table))
        sums.append(found)
        tell(f"{table.name}: {count(found.rows, 'row')} copied")
    return sums


def _compare(sums: list[Sum], old: OldFile, new: NewDatabase) -> None:
    """Read every table back and hold rows and values against what was read from the file."""
    for told in sums:
        found = Sum(told.table)
        for rows in new.read(told.table):
            found.add(rows)
        if not found.same_as(told):
            where = first_difference(
                told.table, _one_by_one(old.rows(told.table)), _one_by_one(new.read(told.table))
            )
            raise Refused(
                f"{told.table.name} has {count(found.rows, 'row')} in the new database and {told.rows:,} "
                f"in the file; they differ from {where} on. Nothing was kept."
            )


def _one_by_one(chunks: Iterator[list[Row]]) -> Iterator[Row]:
    return chain.from_iterable(chunks)
