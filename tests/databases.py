"""Databases beside that of the suite, of the same kind, and the suite's connections led to one of them."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.db import connection

IS_SQLITE = connection.vendor == "sqlite"


def make_database(name: str, *, like: str = "") -> str:
    """Make a database, empty or as a copy of another to which nobody is connected; give its full name."""
    full = beside(name)
    drop_database(full)
    if not IS_SQLITE:
        _on_the_server(f'CREATE DATABASE "{full}"' + (f' TEMPLATE "{like}"' if like else ""))
    elif like:
        shutil.copy2(like, full)
    return full


def beside(name: str) -> str:
    """Name a database after that of the suite, so that processes at work together don't share it."""
    suites = str(connection.settings_dict["NAME"])
    return str(Path(suites).with_name(f"{name}.sqlite3")) if IS_SQLITE else f"{suites}_{name}"


def drop_database(full: str) -> None:
    """Throw a database away, whoever is connected to it."""
    if IS_SQLITE:
        for path in Path(full).parent.glob(f"{Path(full).name}*"):
            path.unlink()
    else:
        _on_the_server(f'DROP DATABASE IF EXISTS "{full}" WITH (FORCE)')


def _on_the_server(statement: str) -> None:
    with connection._nodb_cursor() as cursor:  # type: ignore[attr-defined]
        cursor.execute(statement)


@contextmanager
def connected_to(full: str) -> Iterator[None]:
    """Lead this connection and those of new threads to a database until the end of the block."""
    before = connection.settings_dict["NAME"]
    _lead_to(full)
    try:
        yield
    finally:
        _lead_to(before)


def _lead_to(full: str) -> None:
    connection.close()
    connection.settings_dict["NAME"] = full
