"""Schema editor that rebuilds SQLite tables while triggers refer to them.

Django changes a SQLite table by building a new one, dropping the old and renaming the new. Between the last
two steps the name is missing, and SQLite (since 3.26) refuses the rename because triggers on other tables
mention it. In its older behavior it leaves those triggers alone, and they are right again a moment later.
"""

from __future__ import annotations

from typing import Any

from django.db.backends.sqlite3 import schema


class DatabaseSchemaEditor(schema.DatabaseSchemaEditor):
    """Django's schema editor, with SQLite's legacy ALTER TABLE behavior while a table is rebuilt."""

    def _remake_table(self, *args: Any, **kwargs: Any) -> None:
        self.execute("PRAGMA legacy_alter_table = ON")
        try:
            super()._remake_table(*args, **kwargs)  # type: ignore[misc]  # not in the stubs
        finally:
            self.execute("PRAGMA legacy_alter_table = OFF")
