"""The desk's tables made at once as its models say, instead of by one migration after the other.

`tests/deploy/test_migrated_tables.py` holds that both come to the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.db.models.signals import pre_migrate


def add_extensions(using: str, **_: Any) -> None:
    """Add what PostgreSQL finds scraps of texts with."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")


@contextmanager
def extensions_first() -> Iterator[None]:
    """Add extensions to a database before its first table."""
    pre_migrate.connect(add_extensions)
    try:
        yield
    finally:
        pre_migrate.disconnect(add_extensions)


def note_all_migrations() -> None:
    """Note in the database that all migrations were applied: what they would make is there."""
    recorder = MigrationRecorder(connection)
    recorder.ensure_schema()
    applied = set(recorder.applied_migrations())
    for app, name in sorted(set(MigrationLoader(None).disk_migrations) - applied):
        recorder.record_applied(app, name)


def make_tables() -> None:
    """Make all tables in an empty database."""
    before = settings.MIGRATION_MODULES
    settings.MIGRATION_MODULES = {app.label: None for app in apps.get_app_configs()}
    try:
        with extensions_first():
            call_command("migrate", run_syncdb=True, verbosity=0)
    finally:
        settings.MIGRATION_MODULES = before
    note_all_migrations()
