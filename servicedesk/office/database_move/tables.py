"""Which tables are moved, in which order, and the sum over all rows by which two of them are compared."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.apps import apps
from django.db.models import Model

from .kinds import Kind, kind_of

Row = tuple[Any, ...]
AT_ONCE = 2000  # rows in memory
_written = json.JSONEncoder(ensure_ascii=False, check_circular=False).encode


@dataclass(frozen=True)
class Column:
    """One column; the database works a ``generated`` one out by itself, and it is only compared."""

    name: str
    kind: Kind
    generated: bool
    is_json: bool


@dataclass(frozen=True)
class Table:
    """One table of the desk with its columns, the key first."""

    name: str
    columns: tuple[Column, ...]
    model: type[Model]

    @property
    def key(self) -> str:
        """The column rows are told apart by."""
        return self.columns[0].name

    @property
    def written(self) -> list[Column]:
        """The columns that are written; generated ones stand last."""
        return [column for column in self.columns if not column.generated]

    def place(self, row: Row, column: str = "") -> str:
        """Say where a value stands, for an error."""
        return f"{self.name}, the row with {self.key} {row[0]}" + (f", column {column}" if column else "")


def desk_tables() -> list[Table]:
    """List every table of every model, those that others point at before these where that can be.

    The tables of many-to-many fields, of groups, permissions, content types and sessions are among them; the
    list of migrations is not, each database keeps its own.
    """
    models = {
        model._meta.db_table: model
        for model in apps.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy
    }
    in_order: dict[str, Table] = {}
    begun: set[str] = set()

    def take(name: str) -> None:
        if name in begun or name not in models:
            return
        begun.add(name)
        for each in models[name]._meta.concrete_fields:
            if each.remote_field:
                take(each.related_model._meta.db_table)  # type: ignore[union-attr]
        in_order[name] = _table(models[name])

    for name in sorted(models):
        take(name)
    return list(in_order.values())


def _table(model: type[Model]) -> Table:
    fields = sorted(model._meta.concrete_fields, key=lambda each: (not each.primary_key, each.generated))
    columns = tuple(
        Column(str(each.column), kind_of(each), each.generated, each.get_internal_type() == "JSONField")
        for each in fields
    )
    return Table(model._meta.db_table, columns, model)


@dataclass
class Sum:
    """The number of rows of a table and a SHA-256 over all their values, in the order of the key."""

    table: Table
    rows: int = 0
    _digest: Any = field(default_factory=hashlib.sha256)

    def add(self, rows: Iterable[Row]) -> None:
        """Take rows in."""
        plains = [column.kind.plain for column in self.table.columns]
        for row in rows:
            self._digest.update(plain_row(row, plains))
            self.rows += 1

    def same_as(self, other: Sum) -> bool:
        """Tell whether the other has as many rows and the same values in them."""
        return (self.rows, self._digest.digest()) == (other.rows, other._digest.digest())


def plain_row(row: Row, plains: Sequence[Any]) -> bytes:
    """Write a row down as bytes that are the same wherever it was read."""
    values = [
        value if value is None or plain is None else plain(value)
        for value, plain in zip(row, plains, strict=True)
    ]
    # A text that isn't UTF-8 was read with its bytes as lone surrogates: PostgreSQL will refuse it by name.
    return _written(values).encode("utf-8", "surrogatepass")


def first_difference(table: Table, here: Iterator[Row], there: Iterator[Row]) -> str:
    """Say where two tables begin to differ."""
    plains = [column.kind.plain for column in table.columns]
    while True:
        one, other = next(here, None), next(there, None)
        if one is None or other is None:
            found = one or other
            return table.place(found) if found else table.name
        if plain_row(one, plains) != plain_row(other, plains):
            for column, mine, theirs in zip(table.columns, one, other, strict=True):
                if plain_row((mine,), [column.kind.plain]) != plain_row((theirs,), [column.kind.plain]):
                    return table.place(one, column.name)
