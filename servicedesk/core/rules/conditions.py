"""Check constraints of one row that are evaluated in Python, without a query.

Django validates a `CheckConstraint` before a record is stored by three statements: a savepoint, the condition
as a query about nothing but the values it was given, and the savepoint's release. One finding of a phone has
a dozen of them, while all others wait to write. The values are at hand, so `Check` compares them itself; the
constraint in the database stays what it was, and decides in the end.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.db import DEFAULT_DB_ALIAS
from django.db.models import CheckConstraint, F, Field, Model, Q

COMPARED: Final[Mapping[str, Callable[[Any, Any], bool]]] = {
    "exact": operator.eq,
    "gt": operator.gt,
    "gte": operator.ge,
    "lt": operator.lt,
    "lte": operator.le,
}


class UnknownConditionError(Exception):
    """Raised for a kind of condition or value that is left to the database."""


class Check(CheckConstraint):
    """Django's `CheckConstraint`, validated by comparing the record's values in Python."""

    def deconstruct(self) -> tuple[str, Any, dict[str, Any]]:
        """Deconstruct as Django's own constraint, which is what migrations then name."""
        _, arguments, named = super().deconstruct()
        return "django.db.models.CheckConstraint", arguments, named

    def validate(
        self,
        model: type[Model],
        instance: Model,
        exclude: Any = None,
        using: str | None = DEFAULT_DB_ALIAS,
    ) -> None:
        """Raise `ValidationError` where values violate the condition; a field left out counts as valid."""
        try:
            names = set(_names(self.condition))
            if names & set(exclude or ()):
                return
            values = {name: _value(model, instance, name) for name in names}
            holds = _holds(self.condition, values)
        except UnknownConditionError:
            super().validate(model, instance, exclude=exclude, using=using or DEFAULT_DB_ALIAS)
            return
        if holds is False:
            raise ValidationError(self.get_violation_error_message(), code=self.violation_error_code)


def _names(condition: Any) -> Iterator[str]:
    """Fields that a condition refers to."""
    if not isinstance(condition, Q) or condition.connector not in (Q.AND, Q.OR):
        raise UnknownConditionError
    for child in condition.children:
        if not isinstance(child, tuple):
            yield from _names(child)
            continue
        yield child[0].split("__")[0]
        if isinstance(child[1], F):
            yield _named(child[1])


def _named(field: F) -> str:
    name: str = field.name  # type: ignore[attr-defined]  # unknown to the stubs
    return name


def _value(model: type[Model], instance: Model, name: str) -> Any:
    """Value of a field as it would be stored."""
    field = model._meta.get_field(name)
    if not isinstance(field, Field):
        raise UnknownConditionError
    value = getattr(instance, field.attname)
    if hasattr(value, "resolve_expression"):
        raise UnknownConditionError
    try:
        return field.to_python(value)
    except ValidationError as error:
        raise UnknownConditionError from error


def _holds(condition: Any, values: Mapping[str, Any]) -> bool | None:
    """Three-valued truth of a condition; None where SQL would yield NULL."""
    results = [
        _compare(child[0], child[1], values) if isinstance(child, tuple) else _holds(child, values)
        for child in condition.children
    ]
    decisive = condition.connector == Q.OR
    result = decisive if decisive in results else None if None in results else not decisive
    return not result if condition.negated and result is not None else result


def _compare(lookup: str, against: Any, values: Mapping[str, Any]) -> bool | None:
    """Compare one field's value with another value."""
    name, _, how = lookup.partition("__")
    value = values[name]
    if how == "isnull":
        return (value is None) is bool(against)
    other = values[_named(against)] if isinstance(against, F) else against
    compare = COMPARED.get(how or "exact")
    if compare is None or (other is None and not isinstance(against, F)):
        raise UnknownConditionError
    if value is None or other is None:
        return None
    try:
        return bool(compare(value, other))
    except TypeError as error:
        raise UnknownConditionError from error
