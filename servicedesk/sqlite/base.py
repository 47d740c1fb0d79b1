"""Django's SQLite backend with one change: see `servicedesk.sqlite.schema`."""

from __future__ import annotations

from django.db.backends.sqlite3 import base

from .schema import DatabaseSchemaEditor


class DatabaseWrapper(base.DatabaseWrapper):
    """A connection that changes tables with our schema editor."""

    SchemaEditorClass = DatabaseSchemaEditor
