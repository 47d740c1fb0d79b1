"""PostgreSQL looks anew at tables that fill, and nobody else on the server keeps an import waiting for it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.db import connection

from servicedesk.accounts.models import User
from servicedesk.core.database.planner_statistics import renew_statistics
from servicedesk.core.models import Batch
from tests.beside import somebody_who
from tests.factories import CustomerFactory
from tests.servicedesk.imports.fleet_files import add_reference, import_files, some_fleet
from units.models import Customer

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


def run(statement: str) -> None:
    """Execute one SQL statement."""
    with connection.cursor() as cursor:
        cursor.execute(statement)


def rows_computed(table: str) -> float:
    """How many rows PostgreSQL reckons a table has; below nought where it never looked."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT reltuples FROM pg_class WHERE oid = to_regclass(%s)", [table])
        return float(cursor.fetchone()[0])


@pytest.fixture
def _impatient() -> Iterator[None]:
    """Whoever waits for a lock fails instead."""
    run("SET lock_timeout = '2s'")
    yield
    run("RESET lock_timeout")


@pytest.mark.usefixtures("_impatient")
def test_who_looks_at_what_all_databases_share_keeps_nobody_waiting() -> None:
    CustomerFactory.create_batch(3)
    with somebody_who(lambda: run(f"ANALYZE pg_authid, pg_database, {User._meta.db_table}")):
        renew_statistics()
        assert rows_computed(Customer._meta.db_table) == 3


@pytest.mark.usefixtures("_impatient")
def test_an_import_ends_while_somebody_looks_at_everything() -> None:
    add_reference()
    with somebody_who(lambda: run("ANALYZE")):
        assert import_files(*some_fleet(14)).stage == Batch.Stage.APPLIED


def test_tables_are_looked_at_while_a_large_import_fills_them() -> None:
    add_reference()
    units, _ = some_fleet(1_300)
    assert import_files(units, check_only=True).stage == Batch.Stage.CHECKED
    assert rows_computed("imports_stagedrow") >= 1_000
    assert rows_computed("imports_stagedsite") > 300
