"""The tables that the suite makes at once are those that migrations make one by one."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from django.db import connection
from django.db.backends.utils import CursorWrapper

from tests.schedules.installation import FILE, Installation

POSTGRES_SCHEMA = """
SELECT 'extension', extname, extversion FROM pg_extension
UNION ALL
SELECT 'column', format('%s.%s', attrelid::regclass, attname), format('%s %s %s %s %s',
       format_type(atttypid, atttypmod), attnotnull, attidentity, attgenerated,
       pg_get_expr(adbin, adrelid))
FROM pg_attribute JOIN pg_class c ON c.oid = attrelid
LEFT JOIN pg_attrdef ON adrelid = attrelid AND adnum = attnum
WHERE c.relnamespace = 'public'::regnamespace AND relkind = 'r' AND attnum > 0 AND NOT attisdropped
UNION ALL
SELECT 'index', indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'
UNION ALL
SELECT 'constraint', format('%s.%s', conrelid::regclass, conname), pg_get_constraintdef(oid)
FROM pg_constraint WHERE connamespace = 'public'::regnamespace
UNION ALL
SELECT 'trigger', format('%s.%s', tgrelid::regclass, tgname), tgenabled::text || pg_get_triggerdef(oid)
FROM pg_trigger WHERE NOT tgisinternal
UNION ALL
SELECT 'function', p.oid::regprocedure::text, pg_get_functiondef(p.oid)
FROM pg_proc p LEFT JOIN pg_depend d ON d.objid = p.oid AND d.deptype = 'e'
WHERE pronamespace = 'public'::regnamespace AND d.objid IS NULL
UNION ALL
SELECT 'migration', app, name FROM django_migrations
"""
SQLITE_SCHEMA = """
SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'
UNION ALL
SELECT 'migration', app, name FROM django_migrations
"""
Schema = dict[tuple[str, str], list[str]]

EXCEPTIONS = {("column", "auth_group_permissions.id"): {"integer t d", "bigint t d"}}
"""A table of Django's own that joins two others: its migration takes the key's size from our settings, its
model from its own app. Nothing reads this key."""


def on_postgres(cursor: CursorWrapper | psycopg.Cursor) -> Schema:
    """Read tables, indexes, rules, triggers and functions from PostgreSQL's catalog."""
    cursor.execute(POSTGRES_SCHEMA)
    return gathered(cursor.fetchall())


def on_sqlite(cursor: CursorWrapper | sqlite3.Cursor) -> Schema:
    """Read the statements that would make a SQLite file anew; a table's columns and rules have no order."""
    cursor.execute(SQLITE_SCHEMA)
    return gathered(
        (kind, name, part)
        for kind, name, sql in cursor.fetchall()
        for part in (parts_of(sql) if kind == "table" else [sql])
    )


def gathered(rows: Iterator[tuple[str, str, str]] | list[tuple[str, str, str]]) -> Schema:
    """Put together what is said of each thing, in alphabetical order.

    Triggers compare a row column by column in the order of its columns, which is that of the migrations: so
    conditions that must all hold are put in order as well.
    """
    schema: Schema = {}
    for kind, name, text in rows:
        words = re.sub(r"\s+", " ", text).strip()
        if kind in {"trigger", "function"}:
            words = " AND ".join(sorted(words.split(" AND ")))
        schema.setdefault((kind, name), []).append(words)
    return {thing: sorted(texts) for thing, texts in schema.items()}


def parts_of(sql: str) -> list[str]:
    """Split a CREATE TABLE at the commas between columns and rules."""
    depth, parts = 0, [""]
    for character in sql[sql.index("(") + 1 : sql.rindex(")")]:
        depth += {"(": 1, ")": -1}.get(character, 0)
        if character == "," and depth == 0:
            parts.append("")
        else:
            parts[-1] += character
    return parts


@contextmanager
def database_on_the_same_server() -> Iterator[tuple[str, str]]:
    """Make an empty PostgreSQL database: its address, and psycopg's words for it."""
    settings = connection.settings_dict
    host, user, name = (
        settings["HOST"] or "127.0.0.1",
        settings["USER"] or "postgres",
        f"migrated_{uuid4().hex[:12]}",
    )
    where = f"host={host} user={user} dbname="
    with psycopg.connect(f"{where}postgres", autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
        try:
            yield f"postgres://{user}@{host}/{name}", where + name
        finally:
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")


def migrated(folder: Path) -> Schema:
    """Migrate an empty database of the suite's kind from the first migration to the last."""
    if connection.vendor == "sqlite":
        Installation(folder).manage("migrate", "-v", "0")
        with sqlite3.connect(folder / FILE) as file:
            return on_sqlite(file.cursor())
    with database_on_the_same_server() as (address, where):
        Installation(folder, {"DATABASE_URL": address}).manage("migrate", "-v", "0")
        with psycopg.connect(where) as there:
            return on_postgres(there.cursor())


@pytest.mark.long
@pytest.mark.each_database
@pytest.mark.django_db
def test_migrating_an_empty_database_makes_the_tables_that_the_suite_has(tmp_path: Path) -> None:
    with connection.cursor() as cursor:
        made_at_once = on_sqlite(cursor) if connection.vendor == "sqlite" else on_postgres(cursor)
    one_by_one = migrated(tmp_path)
    things = made_at_once.keys() | one_by_one.keys()
    differences = {
        thing: (made_at_once.get(thing), one_by_one.get(thing))
        for thing in sorted(things)
        if made_at_once.get(thing) != one_by_one.get(thing)
        and EXCEPTIONS.get(thing) != {*made_at_once[thing], *one_by_one[thing]}
    }
    assert differences == {}
    kinds = {kind for kind, _ in things}
    expected = {"index", "trigger", "migration"}
    assert kinds >= expected | ({"table"} if connection.vendor == "sqlite" else {"column", "constraint"})
