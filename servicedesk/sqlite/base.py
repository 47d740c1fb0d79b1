"""Django's SQLite backend with three changes: see `schema`, `features` and `turns` in this package."""

from __future__ import annotations

import time
from pathlib import Path

from django.db import DEFAULT_DB_ALIAS, OperationalError, connection, connections
from django.db.backends.sqlite3 import base

from .features import DatabaseFeatures
from .schema import DatabaseSchemaEditor
from .turns import LOOK_AGAIN, Turns

LOCKED = "database is locked"
DEFAULT_PATIENCE = 5.0
"""Seconds, as Python's sqlite3 has it."""


class DatabaseWrapper(base.DatabaseWrapper):
    """A connection with our features, that changes tables with our schema editor and writes by turns."""

    SchemaEditorClass = DatabaseSchemaEditor
    features_class = DatabaseFeatures
    _turns: Turns | None = None

    @property
    def turns(self) -> Turns:
        """How this connection and others know of each other's waiting."""
        if self._turns is None:
            self._turns = Turns(Path(self.settings_dict["NAME"]))
        return self._turns

    def let_others_first(self) -> None:
        """Let those who wait to write go first, where the database is a file that others can write to."""
        if not self.is_in_memory_db():
            self.turns.let_others_first()

    def _start_transaction_under_autocommit(self) -> None:
        if self.is_in_memory_db():
            super()._start_transaction_under_autocommit()  # type: ignore[misc]  # unknown to the stubs
            return
        with self.turns.waiting():
            self._begin()

    def _begin(self) -> None:
        """Begin a transaction as soon as nobody writes; SQLite itself would look again up to 100 ms later."""
        patience = float(self.settings_dict["OPTIONS"].get("timeout", DEFAULT_PATIENCE))
        end = time.monotonic() + patience
        self._wait_in_sqlite(0)
        try:
            while True:
                try:
                    super()._start_transaction_under_autocommit()  # type: ignore[misc]
                except OperationalError as error:
                    if LOCKED not in str(error) or time.monotonic() > end:
                        raise
                    time.sleep(LOOK_AGAIN)
                else:
                    return
        finally:
            self._wait_in_sqlite(patience)

    def _wait_in_sqlite(self, seconds: float) -> None:
        """Say how long SQLite itself waits for a lock that is taken."""
        self.connection.execute(f"PRAGMA busy_timeout = {seconds * 1000:.0f}").close()

    def _close(self) -> None:
        super()._close()  # type: ignore[misc]
        if self._turns is not None:
            self._turns.close()
            self._turns = None


def people_first() -> None:
    """Let those who wait to write go before the next chunk of long work; PostgreSQL sees to that itself."""
    held = connections[DEFAULT_DB_ALIAS]
    if isinstance(held, DatabaseWrapper):
        held.let_others_first()


def copy_log_back() -> None:
    """Copy SQLite's log of changes back into the database, as far as nobody still reads from it."""
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA wal_checkpoint(PASSIVE)")
