"""Django's SQLite backend with three changes: see `schema`, `features` and `turns` in this package."""

from __future__ import annotations

import time
from pathlib import Path

from django.db import DEFAULT_DB_ALIAS, OperationalError, connections
from django.db.backends.sqlite3 import base

from .features import DatabaseFeatures
from .schema import DatabaseSchemaEditor
from .turns import LOOK_AGAIN, Turns

LOCKED = "database is locked"
DEFAULT_PATIENCE = 5.0
"""Seconds, as Python's sqlite3 has it."""
WAIT_FOR_READERS = 0.03
"""Seconds that a log which is to begin anew waits for who still reads from it; nobody can write then."""
PAGES_WORTH_IT = 1000
"""A log with fewer pages goes on: it is searched and copied quickly."""
MOST_LEFT = 250
"""Pages that may be left to copy while others can't write."""


class DatabaseWrapper(base.DatabaseWrapper):
    """A connection with our features, that changes tables with our schema editor and writes by turns."""

    SchemaEditorClass = DatabaseSchemaEditor
    features_class = DatabaseFeatures
    _turns: Turns | None = None
    _copied_at = float("-inf")

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

    def copy_log_back(self, *, every: float) -> None:
        """Copy the log back as far as nobody still reads from it; where little is left, begin it anew."""
        if time.monotonic() < self._copied_at + every:
            return
        with self.cursor() as cursor:
            _, logged, copied = cursor.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
            self._copied_at = time.monotonic()
            if logged < PAGES_WORTH_IT or logged - copied > MOST_LEFT:
                return
            patience = self.settings_dict["OPTIONS"].get("timeout", DEFAULT_PATIENCE)
            self._wait_in_sqlite(WAIT_FOR_READERS)
            try:
                cursor.execute("PRAGMA wal_checkpoint(RESTART)")
            finally:
                self._wait_in_sqlite(patience)

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


def copy_log_back(*, every: float = 0.0) -> None:
    """Copy SQLite's log of changes back into the database, and let it begin anew where nobody reads from it.

    A log that never begins anew grows for as long as the work lasts; every read has more of it to search, and
    everybody who saves tries to copy it back. `every` so many seconds at most, of this process's connection.
    """
    held = connections[DEFAULT_DB_ALIAS]
    if isinstance(held, DatabaseWrapper) and not held.in_atomic_block:
        held.copy_log_back(every=every)
