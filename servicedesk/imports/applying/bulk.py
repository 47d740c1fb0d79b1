"""Bulk insertion of records of one kind, without a model object for each.

A fleet has millions of parts and due dates; making a model object of every one costs ten times the
insertion. The constraints of the database still apply, and every field not named here gets its default.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from itertools import repeat
from typing import Any

from django.db import connection
from django.db.models import (
    DateField,
    DateTimeField,
    DecimalField,
    Field,
    ForeignKey,
    IntegerField,
    JSONField,
    Model,
)
from django.utils import timezone

PLAIN_FIELDS = (ForeignKey, IntegerField, DateField)


class Insert:
    """Insertion of one kind of record, with the fields that are given and their order.

    SQLite runs one prepared statement row by row. PostgreSQL takes the rows as a COPY, or, where a conflict
    is to be ignored, as one array for each column.
    """

    def __init__(self, model: type[Model], *field_names: str, on_conflict: str = "") -> None:
        fields = {field.attname: field for field in model._meta.concrete_fields}
        self.fields = [fields[name] for name in field_names]
        self.rest = [
            field
            for name, field in fields.items()
            if name not in field_names and not field.primary_key and not field.generated
        ]
        self.on_conflict = on_conflict
        if on_conflict and not all(isinstance(field, PLAIN_FIELDS) for field in self.fields):
            raise NotImplementedError("Only keys, numbers and days are written past conflicts.")
        quote = connection.ops.quote_name
        columns = ", ".join(quote(str(field.column)) for field in [*self.fields, *self.rest])
        self._target = f"{quote(model._meta.db_table)} ({columns})"
        self._adapters = [
            (at, adapter) for at, field in enumerate(self.fields) if (adapter := _adapter(field))
        ]

    def write(self, rows: Sequence[Sequence[Any]]) -> int:
        """Insert rows, each with the given fields in their order; return how many were new."""
        if not rows:
            return 0
        columns: list[Any] = list(zip(*rows, strict=True))
        for at, adapter in self._adapters:
            columns[at] = map(adapter, columns[at])
        now = timezone.now()
        rest = tuple(_default(field, now) for field in self.rest)
        if connection.vendor == "sqlite":
            return self._execute_many(zip(*columns, *map(repeat, rest), strict=False))
        if self.on_conflict:
            return self._insert_arrays(columns, rest)
        return copy_rows(self._target, zip(*columns, *map(repeat, rest), strict=False))

    def _execute_many(self, rows: Iterable[Sequence[Any]]) -> int:
        marks = ", ".join(["%s"] * (len(self.fields) + len(self.rest)))
        sql = f"INSERT INTO {self._target} VALUES ({marks}) {self.on_conflict}"  # noqa: S608 - our own names
        with connection.cursor() as cursor:
            cursor.executemany(sql, list(rows))
            return cursor.rowcount

    def _insert_arrays(self, columns: Sequence[Iterable[Any]], rest: Sequence[Any]) -> int:
        arrays = ", ".join(f"%s::{field.db_type(connection)}[]" for field in self.fields)
        values = "".join(f", %s::{field.db_type(connection)}" for field in self.rest)
        sql = (
            f"INSERT INTO {self._target} SELECT told.*{values} FROM unnest({arrays}) told {self.on_conflict}"  # noqa: S608 - our own names
        )
        with connection.cursor() as cursor:
            cursor.execute(sql, [*rest, *map(_array, columns)])
            return cursor.rowcount


def copy_rows(target: str, rows: Iterable[Sequence[Any]]) -> int:
    """Insert rows into a table of PostgreSQL, named with its columns, by COPY; return how many.

    It passes through Django's execute wrappers, so that whoever records statements sees this one too.
    """

    def run(sql: str, params: Any, many: bool, context: dict[str, Any]) -> None:
        connection.validate_no_broken_transaction()
        with connection.wrap_database_errors, context["cursor"].copy(sql) as copy:
            for row in rows:
                copy.write_row(row)

    with connection.cursor() as cursor:
        cursor._execute_with_wrappers(f"COPY {target} FROM STDIN", None, many=False, executor=run)
        return cursor.rowcount


def delete_rows(model: type[Model], keys: Sequence[int]) -> None:
    """Delete records by key; the database refuses while others point at them."""
    if not keys:
        return
    table = connection.ops.quote_name(model._meta.db_table)
    marks = ", ".join(["%s"] * len(keys))
    with connection.cursor() as cursor:
        cursor.execute(f"DELETE FROM {table} WHERE id IN ({marks})", list(keys))  # noqa: S608 - our own names


def reserve_keys(model: type[Model], count: int) -> list[int]:
    """Reserve keys for records about to be written, inside the transaction that writes them."""
    if not count:
        return []
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            # The transaction holds the write lock, so nobody else takes these keys.
            cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [table])
            row = cursor.fetchone()
            last = row[0] if row else 0
            return list(range(last + 1, last + 1 + count))
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)", [table, count]
        )
        return [key for (key,) in cursor.fetchall()]


def _array(values: Iterable[Any]) -> str:
    """Format a column of numbers and days, which need no quotes, as a PostgreSQL array."""
    return f"{{{','.join('NULL' if value is None else str(value) for value in values)}}}"


def _adapter(field: Field[Any, Any]) -> Callable[[Any], Any] | None:
    """Adapter of a field's values to the database; None for most fields."""
    ops = connection.ops
    if isinstance(field, DateTimeField):
        return ops.adapt_datetimefield_value
    if isinstance(field, DateField):
        return ops.adapt_datefield_value
    if isinstance(field, DecimalField | JSONField):
        return partial(field.get_db_prep_save, connection=connection)
    return None


def _default(field: Field[Any, Any], now: Any) -> Any:
    """Default of a field, or the present moment where it is a time stamp."""
    is_stamp = getattr(field, "auto_now", False) or getattr(field, "auto_now_add", False)
    return field.get_db_prep_save(now if is_stamp else field.get_default(), connection)
