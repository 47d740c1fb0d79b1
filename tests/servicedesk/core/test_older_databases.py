"""A database of a version before its apps were divided anew is refused by name, not half migrated."""

from __future__ import annotations

import pytest
from django.core.management import call_command
from django.core.management.base import SystemCheckError
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("migration", ["0001_initial", "0002_versions_of_the_records"])
def test_migrating_an_older_database_is_refused_and_says_what_to_do(migration: str) -> None:
    MigrationRecorder(connection).record_applied("people", migration)
    with pytest.raises(SystemCheckError, match="made by an older version") as refused:
        call_command("migrate", verbosity=0, skip_checks=False)
    assert "make demo-fresh" in str(refused.value)


def test_a_database_of_this_version_is_let_through() -> None:
    call_command("check", databases=["default"])
