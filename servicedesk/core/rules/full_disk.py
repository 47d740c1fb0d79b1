"""Detection of a full disk, however the error is reported.

Nothing of the request was stored then, since every operation is one transaction. The user needs to know that,
and must not lose a long call written down while somebody was on the phone: the page (`error_pages`) repeats
the entries and carries them, hidden, in a form that sends the same once more, with the same key.
"""

from __future__ import annotations

import errno
import sqlite3

NO_ROOM = {errno.ENOSPC, errno.EDQUOT}
POSTGRES_DISK_FULL = "53100"  # PostgreSQL manual, appendix A: disk_full
WORDS = (
    "The disk of the server is full, so nothing of this was saved. Whoever runs the server has to make room "
    "on it; then the same can be sent again."
)


def is_full_disk(error: BaseException) -> bool:
    """Return whether an error, or one that caused it, means that the disk is full."""
    seen: set[int] = set()
    cause: BaseException | None = error
    while cause is not None and id(cause) not in seen:
        seen.add(id(cause))
        if _says_full(cause):
            return True
        cause = cause.__cause__ or cause.__context__
    return False


def _says_full(error: BaseException) -> bool:
    if isinstance(error, sqlite3.Error):
        # Without room for its shared memory or journal SQLite reports an I/O error instead.
        return getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL or (
            getattr(error, "sqlite_errorname", "") in {"SQLITE_IOERR_WRITE", "SQLITE_IOERR_SHMSIZE"}
        )
    if getattr(error, "sqlstate", None) == POSTGRES_DISK_FULL:
        return True
    return isinstance(error, OSError) and error.errno in NO_ROOM
