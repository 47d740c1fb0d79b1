"""Who writes next: people before long work.

SQLite has one lock for writing and no queue before it. Who finds it taken looks again a while later, and work
that takes it thousands of times in a row, as an import does, would nearly always be quicker than that. So
whoever waits for the lock holds a shared lock on a file beside the database meanwhile, and long work looks
before each of its chunks that nobody does. The file stays empty; a process that dies lets go of it.

Where the file can't be had (somebody else's, or a full disk), all take their chances: nobody is kept from
writing.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

SUFFIX = "-waiting"
MOST_PATIENT = 1.0
"""Seconds for which long work lets others go first; then it takes its chances, so that it ends some day."""
LOOK_AGAIN = 0.002


class Turns:
    """One connection's way to see and be seen by those who wait to write to the same database file."""

    def __init__(self, database: Path) -> None:
        self._file = _open_beside(database)

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()

    @contextmanager
    def waiting(self) -> Iterator[None]:
        """Be seen to wait for the length of a with block."""
        if self._file is None:
            yield
            return
        fcntl.flock(self._file, fcntl.LOCK_SH)
        try:
            yield
        finally:
            fcntl.flock(self._file, fcntl.LOCK_UN)

    def let_others_first(self, *, patience: float = MOST_PATIENT) -> None:
        """Wait until nobody waits to write, for a while at most."""
        if self._file is None:
            return
        end = time.monotonic() + patience
        while time.monotonic() < end:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                time.sleep(LOOK_AGAIN)
                continue
            fcntl.flock(self._file, fcntl.LOCK_UN)
            return


def _open_beside(database: Path) -> IO[str] | None:
    """Open the file beside a database; made by root, it belongs to whom the database belongs to."""
    try:
        file = database.with_name(database.name + SUFFIX).open("a")
        if os.geteuid() == 0 and database.exists():
            held = database.stat()
            os.fchown(file.fileno(), held.st_uid, held.st_gid)
            os.fchmod(file.fileno(), held.st_mode & 0o666)
    except OSError:
        return None
    return file
