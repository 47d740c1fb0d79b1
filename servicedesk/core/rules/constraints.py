"""Constraints between rows that a CHECK can't express, enforced by triggers on SQLite and PostgreSQL.

Where two writers could break a rule together on PostgreSQL, which lets them work at once, each first locks
the record their rows belong to; SQLite's writers take turns. All are part of the table's creation, so that
they survive when SQLite rebuilds a table on a change of its schema.
"""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Iterator
from typing import Any

from django.core.exceptions import ValidationError
from django.db import DEFAULT_DB_ALIAS, connections
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.backends.ddl_references import Statement, Table
from django.db.models import BaseConstraint, ForeignKey, Model, UniqueConstraint

NEW_COLUMN = re.compile(r"NEW\.(\w+)")

SQLITE_TRIGGER = (
    "CREATE TRIGGER {name}_{event} {moment} {event_of} ON %(table)s WHEN {violated} "
    "BEGIN SELECT RAISE(ABORT, '{name}'); END"
)
POSTGRES_TRIGGERS = """
CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql SET enable_seqscan = off AS $$
BEGIN
  {lock}
  IF EXISTS (SELECT 1 FROM new_rows r WHERE CASE WHEN {violated} THEN TRUE ELSE FALSE END) THEN
    RAISE EXCEPTION '{name}' USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = '{name}';
  END IF;
  RETURN NULL;
END $$;
CREATE TRIGGER {name}_insert AFTER INSERT ON %(table)s REFERENCING NEW TABLE AS new_rows
FOR EACH STATEMENT EXECUTE FUNCTION {name}();
CREATE TRIGGER {name}_update AFTER UPDATE ON %(table)s REFERENCING NEW TABLE AS new_rows
FOR EACH STATEMENT EXECUTE FUNCTION {name}()
"""
"""All rows of a statement are checked in one query. The CASE keeps the rule a condition of each row, answered
through an index: otherwise the planner, with statistics of empty tables, could scan the whole table for each
statement; that is also why sequential scans are switched off."""
POSTGRES_LOCK = (
    "PERFORM 1 FROM {table} p WHERE p.id IN (SELECT r.{column} FROM new_rows r) ORDER BY p.id"
    " FOR NO KEY UPDATE;"
)


SQLITE_BUMP = (
    "CREATE TRIGGER {name}_{event} AFTER {event} ON %(table)s BEGIN"
    " DELETE FROM core_tableversion; INSERT INTO core_tableversion (id) VALUES (NULL); END"
)
POSTGRES_BUMP = """
CREATE OR REPLACE FUNCTION {name}_{event}() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF {changed} THEN INSERT INTO core_tableversion DEFAULT VALUES; END IF;
  RETURN NULL;
END $$;
CREATE TRIGGER {name}_{event} AFTER {event} ON %(table)s {rows}
FOR EACH STATEMENT EXECUTE FUNCTION {name}_{event}();
"""
SQLITE_REFUSAL = """
CREATE TRIGGER {name}_{event} BEFORE {event_of} ON %(table)s{when}
BEGIN SELECT RAISE(ABORT, '{name}'); END
"""
SQLITE_NO_REPLACING = "CREATE TRIGGER {name}_insert BEFORE INSERT ON %(table)s BEGIN {refusals} END"
SQLITE_TAKEN = "SELECT RAISE(ABORT, '{name}') WHERE EXISTS (SELECT 1 FROM %(table)s o WHERE {same});"
POSTGRES_REFUSAL = """
CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF TG_OP = 'UPDATE' THEN
    IF {allowed} THEN
      RETURN NEW;
    END IF;
  END IF;
  RAISE EXCEPTION '{name}' USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = '{name}';
END $$;
CREATE TRIGGER {name} BEFORE UPDATE OR DELETE ON %(table)s FOR EACH ROW EXECUTE FUNCTION {name}();
CREATE TRIGGER {name}_all BEFORE TRUNCATE ON %(table)s FOR EACH STATEMENT EXECUTE FUNCTION {name}()
"""
ERASED = "erased"
"""Text that replaces personal data in the history."""


class _OnTable(BaseConstraint):
    """Base of constraints written as statements that are part of a table's creation."""

    def constraint_sql(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> str | None:
        """Queue the trigger after the table's creation."""
        schema_editor.deferred_sql.extend(self.statements(model, schema_editor))
        return None

    def create_sql(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> Any:
        """Add it to an existing table (PostgreSQL; SQLite rebuilds the table instead)."""
        (statement,) = self.statements(model, schema_editor)
        return statement

    def remove_sql(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> Any:
        """Drop it (PostgreSQL)."""
        table = Table(model._meta.db_table, schema_editor.quote_name)
        return Statement(f"DROP TRIGGER {self.name} ON %(table)s; DROP FUNCTION {self.name}()", table=table)

    @abstractmethod
    def statements(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> list[Statement]:
        """SQL statements: one on PostgreSQL, where it is also added to existing tables."""


class RowRule(_OnTable):
    """Constraint on other rows, given as SQL that is true where it is violated.

    ``violated`` names the row's own columns ``NEW.column`` and its table ``{table}``; it must mean the same
    on both databases. SQLite evaluates it for each row before it is written, PostgreSQL for all rows of a
    statement after it. ``lock`` is a column that points at another record: PostgreSQL first locks those
    records, in the order of their keys, which makes a second writer wait (SQLite has one writer at a time).
    """

    def __init__(self, *, name: str, violated: str, message: str, lock: str = "") -> None:
        super().__init__(name=name, violation_error_message=message)
        self.violated = violated
        self.lock = lock

    def remove_sql(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> Any:
        """Drop it (PostgreSQL)."""
        table = Table(model._meta.db_table, schema_editor.quote_name)
        drops = "; ".join(f"DROP TRIGGER {self.name}_{event} ON %(table)s" for event in ("insert", "update"))
        return Statement(f"{drops}; DROP FUNCTION {self.name}()", table=table)

    def deconstruct(self) -> tuple[str, tuple[Any, ...], dict[str, Any]]:
        path = f"{self.__class__.__module__}.{self.__class__.__name__}"
        kwargs = {
            "name": self.name,
            "violated": self.violated,
            "message": str(self.violation_error_message),
            "lock": self.lock,
        }
        return path, (), kwargs

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, RowRule):
            return NotImplemented
        return self.deconstruct() == other.deconstruct()

    def __hash__(self) -> int:
        return hash(self.name)

    def statements(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> list[Statement]:
        """SQL of the triggers that enforce the rule."""
        table = Table(model._meta.db_table, schema_editor.quote_name)
        violated = self.violated.replace("{table}", "%(table)s")
        if schema_editor.connection.vendor == "postgresql":
            text = POSTGRES_TRIGGERS.format(
                name=self.name, violated=NEW_COLUMN.sub(r"r.\1", violated), lock=self._lock(model)
            )
            return [Statement(text, table=table)]
        return [
            Statement(
                SQLITE_TRIGGER.format(
                    name=self.name, event=event.lower(), moment="BEFORE", event_of=event, violated=violated
                ),
                table=table,
            )
            for event in ("INSERT", "UPDATE")
        ]

    def _lock(self, model: type[Model]) -> str:
        """SQL that locks the records which the written rows point at."""
        if not self.lock:
            return ""
        (table,) = (
            field.target_field.model._meta.db_table
            for field in model._meta.concrete_fields
            if isinstance(field, ForeignKey) and field.column == self.lock
        )
        return POSTGRES_LOCK.format(table=table, column=self.lock)

    def validate(
        self,
        model: type[Model],
        instance: Model,
        exclude: set[str] | None = None,
        using: str = DEFAULT_DB_ALIAS,
    ) -> None:
        """Evaluate the same condition about a row before it is saved."""
        connection = connections[using]
        columns = {field.column: field for field in model._meta.concrete_fields}
        params: list[Any] = []

        def own_value(match: re.Match[str]) -> str:
            field = columns[match[1]]
            params.append(field.get_db_prep_value(getattr(instance, field.attname), connection))
            return f"%s::{field.db_type(connection)}" if connection.vendor == "postgresql" else "%s"

        table = connection.ops.quote_name(model._meta.db_table)
        condition = NEW_COLUMN.sub(own_value, self.violated.replace("{table}", table))
        with connection.cursor() as cursor:
            cursor.execute(f"SELECT CASE WHEN {condition} THEN 1 ELSE 0 END", params)
            if cursor.fetchone()[0]:
                raise ValidationError(self.get_violation_error_message(), code=self.violation_error_code)


class BumpsVersion(_OnTable):
    """Trigger by which every write to a table leaves a row in `TableVersion`.

    What is computed from such tables can be cached for as long as no write came since. On PostgreSQL each
    statement that changes something leaves a row, without waiting for other writers; on SQLite, where writers
    take turns, there is one row that moves on.
    """

    EVENTS = {"insert": "NEW", "update": "NEW", "delete": "OLD"}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, BumpsVersion) and self.deconstruct() == other.deconstruct()

    def __hash__(self) -> int:
        return hash(self.name)

    def remove_sql(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> Any:
        """Drop it (PostgreSQL)."""
        table = Table(model._meta.db_table, schema_editor.quote_name)
        drops = "; ".join(
            f"DROP TRIGGER {self.name}_{event} ON %(table)s; DROP FUNCTION {self.name}_{event}()"
            for event in (*self.EVENTS, "truncate")
        )
        return Statement(drops, table=table)

    def statements(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> list[Statement]:
        """SQL of the triggers that record every write."""
        table = Table(model._meta.db_table, schema_editor.quote_name)
        if schema_editor.connection.vendor == "postgresql":
            return [Statement("".join(self._on_postgres()), table=table)]
        return [
            Statement(SQLITE_BUMP.format(name=self.name, event=event), table=table) for event in self.EVENTS
        ]

    def _on_postgres(self) -> Iterator[str]:
        for event, rows in self.EVENTS.items():
            yield POSTGRES_BUMP.format(
                name=self.name,
                event=event,
                changed="EXISTS (SELECT 1 FROM changed_rows)",
                rows=f"REFERENCING {rows} TABLE AS changed_rows",
            )
        yield POSTGRES_BUMP.format(name=self.name, event="truncate", changed="TRUE", rows="")

    def validate(self, *args: Any, **kwargs: Any) -> None:
        """Do nothing: no row can violate it."""


class OnlyAdded(_OnTable):
    """Append-only table: the database refuses to change, delete or truncate its rows.

    One change is allowed: the text of the columns ``erasable`` may be replaced by `ERASED`, where
    ``permit``, SQL about the row ``OLD``, is true.

    ``INSERT OR REPLACE`` on SQLite deletes the row of the same key without firing the triggers on
    deletion. So there a row is refused whose key, or whose values of a unique constraint, a row has already.
    """

    def __init__(self, *, name: str, erasable: tuple[str, ...] = (), permit: str = "") -> None:
        super().__init__(name=name, violation_error_message="The history is only ever added to.")
        self.erasable, self.permit = tuple(erasable), permit

    def deconstruct(self) -> tuple[str, tuple[Any, ...], dict[str, Any]]:
        path = f"{self.__class__.__module__}.{self.__class__.__name__}"
        return path, (), {"name": self.name, "erasable": self.erasable, "permit": self.permit}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, OnlyAdded) and self.deconstruct() == other.deconstruct()

    def __hash__(self) -> int:
        return hash(self.name)

    def remove_sql(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> Any:
        """Drop it (PostgreSQL)."""
        table = Table(model._meta.db_table, schema_editor.quote_name)
        drops = "; ".join(f"DROP TRIGGER {name} ON %(table)s" for name in (self.name, f"{self.name}_all"))
        return Statement(f"{drops}; DROP FUNCTION {self.name}()", table=table)

    def statements(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> list[Statement]:
        """SQL of the triggers that refuse changes."""
        table = Table(model._meta.db_table, schema_editor.quote_name)
        if schema_editor.connection.vendor == "postgresql":
            text = POSTGRES_REFUSAL.format(
                name=self.name, allowed=self._allowed(model, "IS NOT DISTINCT FROM")
            )
            return [Statement(text, table=table)]
        unless = f" WHEN NOT ({self._allowed(model, 'IS')})"
        texts = [
            SQLITE_REFUSAL.format(name=self.name, event=event.lower(), event_of=event, when=when)
            for event, when in (("UPDATE", unless), ("DELETE", ""))
        ]
        refusals = " ".join(
            SQLITE_TAKEN.format(
                name=name, same=" AND ".join(f"o.{column} = NEW.{column}" for column in columns)
            )
            for name, columns in self._keys(model)
        )
        texts.append(SQLITE_NO_REPLACING.format(name=self.name, refusals=refusals))
        return [Statement(text, table=table) for text in texts]

    def _keys(self, model: type[Model]) -> Iterator[tuple[str, list[str]]]:
        """Unique keys of the table: the constraint's name, and the columns."""
        columns = {field.name: str(field.column) for field in model._meta.concrete_fields}
        yield from (
            (self.name, [columns[field.name]]) for field in model._meta.concrete_fields if field.unique
        )
        for rule in model._meta.constraints:
            if isinstance(rule, UniqueConstraint):
                if rule.condition is not None or rule.contains_expressions:
                    raise NotImplementedError(
                        f"{self.name} can't guard {rule.name}: it is not about columns."
                    )
                yield rule.name, [columns[name] for name in rule.fields]

    def _allowed(self, model: type[Model], same: str) -> str:
        """SQL condition of the allowed change of a row."""
        if not self.erasable:
            return "1 = 0"
        conditions = [
            f"(NEW.{column} = '{ERASED}' OR NEW.{column} {same} OLD.{column})"
            if column in self.erasable
            else f"NEW.{column} {same} OLD.{column}"
            for column in (field.column for field in model._meta.concrete_fields)
        ]
        return " AND ".join([*conditions, f"({self.permit})"])

    def validate(self, *args: Any, **kwargs: Any) -> None:
        """Do nothing: a new row can't violate it."""


class FoundByScraps(_OnTable):
    """Trigram index, with which a search for any part of some texts need not scan the whole table.

    Each of ``texts`` is SQL about the table's columns, just as the search uses it; ``only`` is the condition
    of the rows a search reads. PostgreSQL has such indexes (its module pg_trgm), SQLite scans the table.
    """

    def __init__(self, *, name: str, texts: tuple[str, ...], only: str = "") -> None:
        super().__init__(name=name)
        self.texts, self.only = tuple(texts), only

    def deconstruct(self) -> tuple[str, tuple[Any, ...], dict[str, Any]]:
        path = f"{self.__class__.__module__}.{self.__class__.__name__}"
        return path, (), {"name": self.name, "texts": self.texts, "only": self.only}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, FoundByScraps) and self.deconstruct() == other.deconstruct()

    def __hash__(self) -> int:
        return hash(self.name)

    def remove_sql(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> Any:
        """Drop it (PostgreSQL)."""
        return Statement(
            f"DROP INDEX {self.name}", table=Table(model._meta.db_table, schema_editor.quote_name)
        )

    def statements(self, model: type[Model], schema_editor: BaseDatabaseSchemaEditor) -> list[Statement]:
        """SQL that creates the index."""
        if schema_editor.connection.vendor != "postgresql":
            return []
        texts = ", ".join(f"({text}) gin_trgm_ops" for text in self.texts)
        where = f" WHERE {self.only}" if self.only else ""
        table = Table(model._meta.db_table, schema_editor.quote_name)
        return [Statement(f"CREATE INDEX {self.name} ON %(table)s USING gin ({texts}){where}", table=table)]

    def validate(self, *args: Any, **kwargs: Any) -> None:
        """Do nothing: no row can violate it."""


class NoOverlap(RowRule):
    """Exclusion constraint: no two rows of one ``slot`` overlap in the half-open range [``start``, ``end``).

    The first column of the slot points at the record that owns it, which two writers lock one after the
    other. PostgreSQL's own exclusion constraint would say the same, but its index takes four times as long to
    write as all others of a table together.
    """

    def __init__(self, *, name: str, slot: tuple[str, ...], start: str, end: str, message: str) -> None:
        self.slot, self.start, self.end = tuple(slot), start, end
        same = " AND ".join(f"o.{column} = NEW.{column}" for column in self.slot)
        until = "COALESCE({row}.{end}, '9999-12-31')"
        o_end, new_end = until.format(row="o", end=end), until.format(row="NEW", end=end)
        super().__init__(
            name=name,
            message=message,
            lock=self.slot[0],
            violated=(
                f"EXISTS (SELECT 1 FROM {{table}} o WHERE {same}"  # noqa: S608  (column names of our models)
                f" AND o.id <> COALESCE(NEW.id, 0)"
                f" AND o.{start} < {new_end} AND NEW.{start} < {o_end}"
                f" AND NEW.{start} < {new_end} AND o.{start} < {o_end})"
            ),
        )

    def deconstruct(self) -> tuple[str, tuple[Any, ...], dict[str, Any]]:
        path, _, _ = super().deconstruct()
        kwargs = {
            "name": self.name,
            "slot": self.slot,
            "start": self.start,
            "end": self.end,
            "message": str(self.violation_error_message),
        }
        return path, (), kwargs
