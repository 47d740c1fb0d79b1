"""Django's SQLite backend with two changes: see `schema` and `features` in this package."""

from __future__ import annotations

from django.db.backends.sqlite3 import base

from servicedesk.core.database.sqlite.features import DatabaseFeatures
from servicedesk.core.database.sqlite.schema import DatabaseSchemaEditor


class DatabaseWrapper(base.DatabaseWrapper):
    """Database connection with our features and our schema editor."""

    SchemaEditorClass = DatabaseSchemaEditor
    features_class = DatabaseFeatures
