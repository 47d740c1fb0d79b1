"""Rule violations of operations, with the sentences the user reads."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import DEFAULT_DB_ALIAS, IntegrityError, transaction
from django.db.models import BaseConstraint, Model, UniqueConstraint
from django.forms import BaseForm

CLASH = "Somebody else saved the same thing a moment ago. Look at the page again, then repeat your change."
KEY_OF_POSTGRES = re.compile(r'\(([\w", ]+)\)=\(')


class RuleViolation(Exception):  # noqa: N818  (it is an answer, not a fault)
    """Raised by an operation that is refused, with the reason by field ("" for the whole)."""

    def __init__(self, reasons: str | dict[str, list[str]]) -> None:
        self.reasons = {"": [reasons]} if isinstance(reasons, str) else reasons
        super().__init__(" ".join(text for texts in self.reasons.values() for text in texts))

    @classmethod
    def from_validation(cls, error: ValidationError) -> RuleViolation:
        """Convert a model's validation errors to a rule violation, field by field."""
        if not hasattr(error, "error_dict"):
            return cls({"": list(error.messages)})
        return cls(
            {"" if name == NON_FIELD_ERRORS else name: texts for name, texts in error.message_dict.items()}
        )

    def tell(self, form: BaseForm) -> None:
        """Add each reason to its field on the form, or to the whole form where it has no such field."""
        for name, texts in self.reasons.items():
            for text in texts:
                form.add_error(name if name in form.fields else None, text)


def sentence_for(error: IntegrityError) -> str:
    """Sentence of the violated database constraint, which constraints carry as their error message."""
    broken = _broken_rule(error)
    for model in apps.get_models():
        for rule in model._meta.constraints:
            if rule.name == broken.name or _columns(model, rule) == broken.columns:
                return str(rule.get_violation_error_message())
        for field in model._meta.local_concrete_fields:
            if field.unique and field.editable and {(model._meta.db_table, field.column)} == broken.columns:
                return " ".join(model().unique_error_message(model, (field.name,)).messages)
    return CLASH


@dataclass(frozen=True)
class _Broken:
    """Constraint as a database reports it: its name, or the columns (with their tables) it is about."""

    name: str = ""
    columns: frozenset[tuple[str, str]] = frozenset()


def _broken_rule(error: IntegrityError) -> _Broken:
    """Parse which constraint was violated, ignoring the values, which may look like a constraint's name.

    SQLite names a check, a trigger and an index of expressions; for other unique constraints it names the
    columns. PostgreSQL names all, but it makes up the names of constraints on one field, and reports the
    columns beside.
    """
    diagnosis = getattr(error.__cause__, "diag", None)
    if diagnosis is not None:
        key = KEY_OF_POSTGRES.search(diagnosis.message_detail or "")
        columns = key[1].replace('"', "").split(", ") if key else []
        return _Broken(
            diagnosis.constraint_name or "",
            frozenset((diagnosis.table_name or "", column) for column in columns),
        )
    kind, _, named = str(error).rpartition("constraint failed: ")
    if kind == "UNIQUE " and not named.startswith("index "):
        pairs = (each.split(".") for each in named.split(", "))
        return _Broken(columns=frozenset((table, column) for table, column in pairs))
    return _Broken(named.removeprefix("index ").strip("'"))


def _columns(model: type[Model], rule: BaseConstraint) -> frozenset[tuple[str, str]] | None:
    """Columns of a unique constraint, with their table; None for any other constraint."""
    if not isinstance(rule, UniqueConstraint) or not rule.fields:
        return None
    table = model._meta.db_table
    columns = {field.name: str(field.column) for field in model._meta.concrete_fields}
    return frozenset((table, columns[name]) for name in rule.fields)


@contextmanager
def atomic_operation(using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """Run an operation in one transaction; a violated constraint is raised as `RuleViolation`."""
    try:
        with transaction.atomic(using=using):
            yield
    except ValidationError as error:
        raise RuleViolation.from_validation(error) from error
    except IntegrityError as error:
        raise RuleViolation(sentence_for(error)) from error


def apply_or_report(form: BaseForm, make: Callable[[], object]) -> Any:
    """Run the operation of a valid form; a refusal is reported on the form, and the result is None."""
    if not form.is_valid():
        return None
    try:
        return make()
    except RuleViolation as refusal:
        refusal.tell(form)
        return None
