"""Databases of their own on a running PostgreSQL server, for tests that move a desk into one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

import psycopg
import pytest


@dataclass
class Server:
    """The server named by PGHOST and PGUSER, and what was made on it."""

    host: str
    user: str
    made: list[str] = field(default_factory=list)

    def database(self, *, like: str = "", how: str = "") -> str:
        """Make a database, empty or like another one, and give its name."""
        name = f"move_{uuid4().hex[:12]}"
        self.run(f"CREATE DATABASE {name} {f'TEMPLATE {like}' if like else ''} {how}")
        self.made.append(name)
        return name

    def address(self, name: str, *, user: str = "") -> str:
        """Give the address of a database."""
        return f"postgres://{user or self.user}@{self.host}/{name}"

    def run(self, sql: str, *, database: str = "postgres") -> None:
        """Run one statement."""
        with psycopg.connect(self.told(database), autocommit=True) as connection:
            connection.execute(sql.encode())

    def ask(self, sql: str, *, database: str) -> list[tuple[Any, ...]]:
        """Ask a database."""
        with psycopg.connect(self.told(database)) as connection:
            return connection.execute(sql.encode()).fetchall()

    def told(self, database: str) -> str:
        """Give psycopg's words for a database."""
        return f"host={self.host} user={self.user} dbname={database} connect_timeout=5"

    def rows(self, database: str) -> dict[str, int]:
        """Count the rows of the tables that have some, without what comes with the tables."""
        names = self.ask("SELECT tablename FROM pg_tables WHERE schemaname = 'public'", database=database)
        with_the_tables = {"django_migrations", "django_content_type", "auth_permission"}
        counts = {
            name: self.ask(f'SELECT COUNT(*) FROM "{name}"', database=database)[0][0]  # noqa: S608
            for (name,) in names
            if name not in with_the_tables
        }
        return {name: count for name, count in counts.items() if count}


@contextmanager
def postgres_server() -> Iterator[Server]:
    """Find the server, and throw away what was made on it at the end."""
    server = Server(os.environ.get("PGHOST", "127.0.0.1"), os.environ.get("PGUSER", "postgres"))
    try:
        server.run("SELECT 1")
    except psycopg.OperationalError as error:
        pytest.skip(
            f"no PostgreSQL server lets {server.user} in at {server.host}: set PGHOST, PGUSER ({error})"
        )
    try:
        yield server
    finally:
        for name in server.made:
            server.run(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
