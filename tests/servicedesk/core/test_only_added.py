"""The history is only ever added to, whoever writes: the database itself refuses anything else."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from django.db import DatabaseError, connection, transaction

from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from servicedesk.core.models import Change, ChangedField, Erasure
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db

AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


@pytest.fixture
def change(owner: User) -> Change:
    """One line of history with a field."""
    return write_change(CustomerFactory(), action="changed", by=owner, at=AT, after={"name": "Ada Vole"})


STATEMENTS = [
    "UPDATE core_change SET action = 'nothing'",
    "UPDATE core_change SET action = 'erased'",
    "UPDATE core_change SET by_id = NULL",
    "UPDATE core_change SET at = '2020-01-01 00:00:00+00:00'",
    "UPDATE core_change SET source = 'clock'",
    "UPDATE core_change SET subject_id = subject_id + 1",
    "DELETE FROM core_changedfield",
    "UPDATE core_changedfield SET after = 'Nobody'",
    "UPDATE core_changedfield SET after = 'erased'",
    "UPDATE core_changedfield SET before = 'Nobody'",
    "UPDATE core_changedfield SET field = 'note'",
]


@pytest.mark.parametrize("statement", STATEMENTS)
def test_plain_sql_can_not_rewrite_the_history(change: Change, statement: str) -> None:
    with (
        pytest.raises(DatabaseError, match="only_added"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)
    field = change.fields.get()
    assert (Change.objects.get().action, field.before, field.after) == ("changed", "", "Ada Vole")


LINE, FIELD, ERASURE = "core_change", "core_changedfield", "core_erasure"
REPLACING = [
    (LINE, "id, at, by_id, source, subject, subject_id, 'forged'", "change_only_added"),
    (FIELD, "id, change_id, field, before, 'forged'", "changedfield_only_added"),
    (FIELD, "id + 1000, change_id, field, before, 'forged'", "changedfield_once_per_change"),
    (ERASURE, "id, at, by_id, subject, 7000", "erasure_only_added"),
]
COLUMNS = {
    LINE: "id, at, by_id, source, subject, subject_id, action",
    FIELD: "id, change_id, field, before, after",
    ERASURE: "id, at, by_id, subject, subject_id",
}
REPLACES = [
    pytest.param("INSERT OR REPLACE INTO {table} ({columns}) {rows}", marks=pytest.mark.sqlite),
    pytest.param("REPLACE INTO {table} ({columns}) {rows}", marks=pytest.mark.sqlite),
    "INSERT INTO {table} ({columns}) {rows} ON CONFLICT (id) DO UPDATE SET {last} = excluded.{last}",
]


def rows_of_the_history() -> list[list[tuple[object, ...]]]:
    """Read the three tables as they stand."""
    return [
        list(model._base_manager.order_by("pk").values_list()) for model in (Change, ChangedField, Erasure)
    ]


@pytest.mark.parametrize("statement", REPLACES)
@pytest.mark.parametrize(("table", "values", "rule"), REPLACING)
def test_a_row_can_not_be_put_in_the_place_of_another(
    change: Change, owner: User, table: str, values: str, rule: str, statement: str
) -> None:
    Erasure.objects.create(subject="units.customer", subject_id=7, at=AT, by=owner)
    before = rows_of_the_history()
    columns = COLUMNS[table]
    sql = statement.format(
        table=table,
        columns=columns,
        last=columns.rpartition(", ")[2],
        rows=f"SELECT {values} FROM {table} WHERE true",  # noqa: S608  (names of our tables)
    )
    with pytest.raises(DatabaseError, match=rule), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)
    assert rows_of_the_history() == before


@pytest.mark.sqlite
@pytest.mark.parametrize("table", COLUMNS)
def test_a_row_can_not_be_moved_onto_another(change: Change, owner: User, table: str) -> None:
    write_change(owner, action="looked at", by=owner, at=AT, after={"name": "Bo Vole"})
    for number in (7, 8):
        Erasure.objects.create(subject="units.customer", subject_id=number, at=AT, by=owner)
    before = rows_of_the_history()
    sql = f"UPDATE OR REPLACE {table} SET id = (SELECT MIN(id) FROM {table})"  # noqa: S608
    with (
        pytest.raises(DatabaseError, match="only_added"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(sql)
    assert rows_of_the_history() == before


def test_a_line_without_fields_can_not_be_deleted_either(owner: User) -> None:
    write_change(owner, action="looked at", by=owner, at=AT)
    with (
        pytest.raises(DatabaseError, match="only_added"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("DELETE FROM core_change")
    assert Change.objects.count() == 1


@pytest.mark.postgres
def test_truncating_is_refused(change: Change) -> None:
    connection.check_constraints()  # else PostgreSQL refuses before it comes to our rule
    with (
        pytest.raises(DatabaseError, match="only_added"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("TRUNCATE core_change CASCADE")
    assert Change.objects.exists()


def test_an_erasure_lets_old_words_give_way_to_erased_and_to_nothing_else(
    change: Change, owner: User
) -> None:
    other = write_change(CustomerFactory(), action="changed", by=owner, at=AT, after={"name": "Bo Vole"})
    Erasure.objects.create(subject=change.subject, subject_id=change.subject_id, at=AT, by=owner)
    with pytest.raises(DatabaseError, match="only_added"), transaction.atomic():
        ChangedField.objects.filter(change=change).update(after="Somebody")
    with pytest.raises(DatabaseError, match="only_added"), transaction.atomic():
        ChangedField.objects.filter(change=change).update(after="erased", field="note")
    with pytest.raises(DatabaseError, match="only_added"), transaction.atomic():
        ChangedField.objects.filter(change=other).update(after="erased")
    with pytest.raises(DatabaseError, match="only_added"), transaction.atomic():
        Change.objects.filter(pk=change.pk).update(action="erased", source="clock")
    ChangedField.objects.filter(change=change).update(after="erased")
    Change.objects.filter(pk=change.pk).update(action="erased")
    assert change.fields.get().after == "erased"
    assert other.fields.get().after == "Bo Vole"


@pytest.mark.parametrize("statement", ["DELETE FROM core_erasure", "UPDATE core_erasure SET subject_id = 1"])
def test_an_erasure_stays_as_it_was_written(owner: User, statement: str) -> None:
    Erasure.objects.create(subject="units.customer", subject_id=7, at=AT, by=owner)
    with (
        pytest.raises(DatabaseError, match="only_added"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)
    assert Erasure.objects.get().subject_id == 7
