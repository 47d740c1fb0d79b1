"""Statistics of the query planner (ANALYZE), renewed after large writes.

A query plan made for empty tables is slow for full ones.

PostgreSQL renews them by itself, but a minute later, not for what is uncommitted, and never where autovacuum
is off. Only our own tables are analyzed: a bare ANALYZE also locks catalogs that all databases of a server
share, so that a stranger's transaction in another of them could block us. A table that somebody else analyzes
right now is left to them.
"""

from __future__ import annotations

from django.db import connection as default
from django.db import transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Model


def renew_statistics(*models: type[Model], connection: BaseDatabaseWrapper | None = None) -> None:
    """Refresh the query planner's statistics (ANALYZE) of these models' tables, or of all of ours.

    SQLite analyzes the tables it chooses itself. It reads before it writes the statistics, and a reader that
    wants to write beside another writer is refused at once. So the write lock is taken first, which waits for
    its turn.
    """
    database = connection or default
    if database.vendor == "postgresql":
        names = [model._meta.db_table for model in models] or database.introspection.django_table_names()
        tables = ", ".join(database.ops.quote_name(name) for name in sorted(names))
        _run(database, f"ANALYZE (SKIP_LOCKED) {tables}")
        return
    with transaction.atomic(using=database.alias):
        _run(database, "PRAGMA optimize = 0x10002")


def _run(database: BaseDatabaseWrapper, statement: str) -> None:
    with database.cursor() as cursor:
        cursor.execute(statement)
