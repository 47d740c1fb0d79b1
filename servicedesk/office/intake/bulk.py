"""Writing many records of one kind at once, without an object for each.

A fleet brings millions of parts and due dates; making a model object of every one costs ten times the
insertion. The rules of the database hold all the same, and every field not named here gets its default.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from django.db import connection
from django.db.models import DateField, DateTimeField, DecimalField, Field, JSONField, Model
from django.utils import timezone

PARAMS_AT_ONCE = 30_000  # PostgreSQL takes at most 65,535 parameters in a statement


class Insert:
    """The insertion of one kind of record: which fields are told, in which order."""

    def __init__(self, model: type[Model], *told: str, on_conflict: str = "") -> None:
        fields = {field.attname: field for field in model._meta.concrete_fields}
        self.told = [fields[name] for name in told]
        self.rest = [
            field
            for name, field in fields.items()
            if name not in told and not field.primary_key and not field.generated
        ]
        quote = connection.ops.quote_name
        columns = ", ".join(quote(str(field.column)) for field in [*self.told, *self.rest])
        table = quote(model._meta.db_table)
        self._sql = f"INSERT INTO {table} ({columns}) VALUES {{}} {on_conflict}"  # noqa: S608 - our own names
        self._one = f"({', '.join(['%s'] * (len(self.told) + len(self.rest)))})"
        self._adapters = [(at, adapter) for at, field in enumerate(self.told) if (adapter := _adapter(field))]

    def write(self, rows: Sequence[Sequence[Any]]) -> int:
        """Write rows, each with the told fields in their order; answer how many were new."""
        if not rows:
            return 0
        columns: list[Any] = list(zip(*rows, strict=True))
        for at, adapter in self._adapters:
            columns[at] = map(adapter, columns[at])
        now = timezone.now()
        rest = tuple(_default(field, now) for field in self.rest)
        params = [(*row, *rest) for row in zip(*columns, strict=True)]
        with connection.cursor() as cursor:
            if connection.vendor == "sqlite":
                cursor.executemany(self._sql.format(self._one), params)
                return cursor.rowcount
            step, written = PARAMS_AT_ONCE // len(params[0]), 0
            for start in range(0, len(params), step):
                part = params[start : start + step]
                marks = ", ".join([self._one] * len(part))
                cursor.execute(self._sql.format(marks), [value for row in part for value in row])
                written += cursor.rowcount
        return written


def delete_rows(model: type[Model], keys: Sequence[int]) -> None:
    """Delete records by key, leaving it to the database to refuse while others point at them."""
    if not keys:
        return
    table = connection.ops.quote_name(model._meta.db_table)
    marks = ", ".join(["%s"] * len(keys))
    with connection.cursor() as cursor:
        cursor.execute(f"DELETE FROM {table} WHERE id IN ({marks})", list(keys))  # noqa: S608 - our own names


def reserve_keys(model: type[Model], count: int) -> list[int]:
    """Set keys aside for records about to be written, inside the transaction that writes them."""
    if not count:
        return []
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            # The transaction holds the one write lock, so nobody else takes these keys.
            cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [table])
            found = cursor.fetchone()
            last = found[0] if found else 0
            return list(range(last + 1, last + 1 + count))
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)", [table, count]
        )
        return [key for (key,) in cursor.fetchall()]


def _adapter(field: Field[Any, Any]) -> Callable[[Any], Any] | None:
    """Find what brings a field's values into the form the database takes; most need nothing."""
    ops = connection.ops
    if isinstance(field, DateTimeField):
        return ops.adapt_datetimefield_value
    if isinstance(field, DateField):
        return ops.adapt_datefield_value
    if isinstance(field, DecimalField | JSONField):
        return partial(field.get_db_prep_save, connection=connection)
    return None


def _default(field: Field[Any, Any], now: Any) -> Any:
    """Give what a field holds when nobody says anything."""
    is_stamp = getattr(field, "auto_now", False) or getattr(field, "auto_now_add", False)
    return field.get_db_prep_save(now if is_stamp else field.get_default(), connection)
