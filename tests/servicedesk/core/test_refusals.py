"""Each unique rule of the database is refused with its own sentence, whatever the database calls it."""

from __future__ import annotations

import copy
from collections import Counter
from datetime import UTC, date, datetime, time
from typing import Any
from uuid import uuid4

import pytest
from django.apps import apps
from django.db.models import AutoField, Field, ForeignKey, Model, UniqueConstraint
from factory.django import DjangoModelFactory

from servicedesk.core.rules.refusals import CLASH, RuleViolation, atomic_operation
from tests import factories
from units.models import Customer

pytestmark = pytest.mark.django_db

OURS = ("people", "units", "schedules", "calls", "reports")
MODELS = [model for model in apps.get_models() if model._meta.app_label in OURS]
RULES = [
    (model, rule)
    for model in MODELS
    for rule in model._meta.constraints
    if isinstance(rule, UniqueConstraint)
]
FIELDS = [
    (model, field)
    for model in MODELS
    for field in model._meta.local_concrete_fields
    if field.unique and not field.primary_key
]
FACTORIES: dict[type[Model], Any] = {
    each._meta.model: each  # type: ignore[attr-defined]  # the factory's options
    for each in vars(factories).values()
    if isinstance(each, type) and issubclass(each, DjangoModelFactory) and each is not DjangoModelFactory
}
DAY, MOMENT = date(2026, 3, 2), datetime(2026, 3, 2, 12, tzinfo=UTC)
BY_TYPE: dict[str, Any] = {
    "DateField": DAY,
    "DateTimeField": MOMENT,
    "TimeField": time(8, 0),
    "BooleanField": False,
    "FloatField": 1.0,
    "BinaryField": b"x",
    "JSONField": {},
}
SPECIAL: dict[str, dict[str, Any]] = {
    "PartialRemoval": {"installed_part": lambda: factories.InstalledPartFactory(pieces=4), "pieces": 1},
    "WeekPlan": {"monday": DAY, "stage": "waiting"},
    "MaintenanceTask": {"next_due": lambda: factories.NextDueFactory()},
    "Call": {"task": lambda: factories.TaskFactory()},
    "Photo": {"unit": lambda: factories.UnitFactory(), "key": uuid4},
    "UserSession": {"mark": uuid4},
    "UnitLabel": {"replaced_at": None},
    "LotFlag": {"cleared_on": None},
}
"""What a row must hold so that it breaks no other rule, and is one that its unique rule is about."""


def a_value(field: Field[Any, Any]) -> Any:
    """Give a value that a field takes and that no other row has, where the type allows."""
    if isinstance(field, ForeignKey):
        return a_row(field.related_model)
    if field.choices:
        return next(iter(field.flatchoices))[0]
    kind = field.get_internal_type()
    if kind == "UUIDField":
        return uuid4()
    if kind in ("CharField", "TextField", "SlugField", "EmailField", "FileField"):
        return uuid4().hex[: field.max_length or 32]
    return BY_TYPE.get(kind, 1)


def values_for(model: type[Model]) -> dict[str, Any]:
    """Give values for all fields that have none by themselves."""
    special = SPECIAL.get(model.__name__, {})
    return {
        field.name: given()
        if callable(given := special.get(field.name))
        else given
        if field.name in special
        else a_value(field)
        for field in model._meta.local_concrete_fields
        if field.name in special or not (field.primary_key or field.has_default() or field.null)
    }


def a_row(model: type[Model]) -> Model:
    """Store a row of a table."""
    if model in FACTORIES:
        special = SPECIAL.get(model.__name__, {})
        return FACTORIES[model](
            **{name: each() if callable(each) else each for name, each in special.items()}
        )
    row = model(**values_for(model))
    model._base_manager.bulk_create([row])
    return row


def names_of(rule: UniqueConstraint) -> set[str]:
    """Name the fields a unique rule is about."""
    names = [reference[0] for each in rule.expressions for reference in Model._get_expr_references(each)]  # type: ignore[attr-defined]
    return {*rule.fields, *names}


def unique_names(model: type[Model]) -> set[str]:
    """Name all fields that one of a table's unique rules is about."""
    names = {field.name for owner, field in FIELDS if owner is model}
    return names.union(*(names_of(rule) for owner, rule in RULES if owner is model))


def breach(row: Model, same: set[str]) -> str:
    """Store a row a second time, the same in some fields and else in none that is unique; say the refusal."""
    again = copy.copy(row)
    key = row._meta.pk
    again.pk = None if isinstance(key, AutoField) else a_value(key)
    again._state.adding = True
    for field in row._meta.local_concrete_fields:
        if field.name in unique_names(type(row)) - same:
            setattr(again, field.name, a_value(field))
    with pytest.raises(RuleViolation) as refusal, atomic_operation():
        type(row)._base_manager.bulk_create([again])
    return str(refusal.value)


@pytest.mark.parametrize(("model", "rule"), RULES, ids=[rule.name for _, rule in RULES])
def test_a_unique_rule_is_refused_with_its_own_sentence(model: type[Model], rule: UniqueConstraint) -> None:
    assert breach(a_row(model), names_of(rule)) == rule.get_violation_error_message()


@pytest.mark.parametrize(
    ("model", "field"), FIELDS, ids=[f"{model.__name__}.{field.name}" for model, field in FIELDS]
)
def test_a_unique_field_is_refused_with_the_sentence_of_forms(
    model: type[Model], field: Field[Any, Any]
) -> None:
    sentence = "".join(model().unique_error_message(model, (field.name,)).messages)  # type: ignore[attr-defined]
    assert breach(a_row(model), {field.name}) == (sentence if field.editable else CLASH)


def test_no_two_unique_rules_are_about_the_same_columns() -> None:
    """SQLite names the columns and not the rule, so that two such rules could not be told apart."""
    about = Counter(
        [(model, tuple(sorted(rule.fields))) for model, rule in RULES if rule.fields]
        + [(model, (field.name,)) for model, field in FIELDS]
    )
    assert [each for each, times in about.items() if times > 1] == []


def test_names_of_rules_are_told_apart_though_one_begins_like_another() -> None:
    names = Counter(rule.name for model in MODELS for rule in model._meta.constraints)
    assert [name for name, times in names.items() if times > 1] == []


def test_what_somebody_typed_is_not_taken_for_the_name_of_a_rule() -> None:
    site = factories.SiteFactory(code="visit_ends_after_it_starts")
    sentence = "".join(site.unique_error_message(type(site), ("code",)).messages)
    assert breach(site, {"code"}) == sentence


def test_a_missing_value_is_nobodys_sentence() -> None:
    with pytest.raises(RuleViolation) as refusal, atomic_operation():
        Customer._base_manager.bulk_create([Customer(name=None)])
    assert str(refusal.value) == CLASH
