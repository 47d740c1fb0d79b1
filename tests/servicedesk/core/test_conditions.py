"""Checks tried on the values at hand say what the database says of the same values."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Any

import pytest
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.db.models import CharField, CheckConstraint, F, Field, Model, Q, Value
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schedules.models import Visit
from servicedesk.calls.models import Finding, Work
from servicedesk.core.rules.conditions import Check
from tests.factories import FindingFactory

pytestmark = pytest.mark.django_db

CHECKS = [
    (model, constraint)
    for model in apps.get_models()
    for constraint in model._meta.constraints
    if isinstance(constraint, CheckConstraint)
]
DAYS = st.sampled_from([date(2024, 2, 28), date(2024, 2, 29), date(2025, 1, 1)])
MOMENTS = st.sampled_from([datetime(2024, 2, 29, 12, 0, tzinfo=UTC), datetime(2025, 1, 1, tzinfo=UTC)])
NUMBERS = st.sampled_from(
    [-91, -90, 0, 1, 2, 9, 10, 12, 13, 90, 180, 181, 240, 241, 359, 360, 1440, 1441, 1600]
)
WORDS = st.sampled_from(["", "danger", "cancelled", "completed", "sent", "not_done", "replaced", "salt", "x"])
VALUES: dict[str, st.SearchStrategy[Any]] = {
    "DateField": DAYS,
    "DateTimeField": MOMENTS,
    "TimeField": st.sampled_from([time(8, 0), time(12, 30)]),
    "BooleanField": st.booleans(),
    "FloatField": st.sampled_from([-180.0, -90.1, -90.0, 0.0, 0.5, 90.0, 180.0, 180.5]),
}


def values_of(field: Field[Any, Any]) -> st.SearchStrategy[Any]:
    """Give values of a field that lie at and about the limits of the checks."""
    kind = field.get_internal_type()
    strategy = VALUES.get(kind, WORDS if isinstance(field, CharField) or "Text" in kind else NUMBERS)
    return strategy if kind == "BooleanField" else st.none() | strategy


def verdict(constraint: CheckConstraint, model: type[Model], instance: Model, **how: Any) -> list[str]:
    """Validate a record against a check constraint; give its messages, none where it holds."""
    try:
        constraint.validate(model, instance, **how)
    except ValidationError as error:
        return error.messages
    return []


def as_django(constraint: CheckConstraint) -> CheckConstraint:
    """Give Django's own constraint of the same condition."""
    _, arguments, named = constraint.deconstruct()
    return CheckConstraint(*arguments, **named)


def test_all_checks_of_the_project_are_tried_here() -> None:
    assert len(CHECKS) >= 43
    assert all(isinstance(constraint, Check) for _, constraint in CHECKS)
    assert all(constraint.deconstruct()[0] == "django.db.models.CheckConstraint" for _, constraint in CHECKS)


@pytest.mark.parametrize(("model", "constraint"), CHECKS, ids=[each.name for _, each in CHECKS])
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_it_says_what_the_database_says(model: type[Model], constraint: Check, data: st.DataObject) -> None:
    fields = [field for field in model._meta.concrete_fields if field.name in repr(constraint.condition)]
    assert fields
    instance = model(**{field.attname: data.draw(values_of(field), label=field.name) for field in fields})
    with CaptureQueriesContext(connection) as queries:
        here = verdict(constraint, model, instance)
    assert not queries.captured_queries
    assert here == verdict(as_django(constraint), model, instance)


@pytest.mark.parametrize(
    ("condition", "facts"),
    [
        (Q(kind__startswith="re"), {"kind": "replaced"}),
        (Q(kind__startswith="re"), {"kind": "cleaned"}),
        (Q(kind="a") ^ Q(pieces=1), {"kind": "a", "pieces": 1}),
        (Q(pieces__gt=F("minutes") + 1), {"pieces": 3, "minutes": 1}),
        (Q(pieces__gt=F("minutes") + 1), {"pieces": 2, "minutes": 1}),
        (Q(minutes=None), {"minutes": None}),
        (Q(pieces__gt=1), {"pieces": Value(2)}),
        (Q(pieces__gt=1), {"pieces": Value(1)}),
        (Q(pieces__gt=1), {"pieces": "2"}),
        (Q(pieces__gt=1), {"pieces": "1"}),
        (Q(pieces__in=(1, 2)), {"pieces": 3}),
    ],
)
def test_what_it_can_not_compare_is_left_to_the_database(condition: Q, facts: dict[str, Any]) -> None:
    check = Check(condition=condition, name="some", violation_error_message="No.")
    work = Work(**facts)
    assert verdict(check, Work, work) == verdict(as_django(check), Work, work)


def test_a_field_that_is_left_out_breaks_nothing() -> None:
    check = Check(condition=Q(ends_at__gt=F("starts_at")), name="some", violation_error_message="No.")
    visit = Visit(starts_at=datetime(2025, 1, 1, tzinfo=UTC), ends_at=datetime(2024, 1, 1, tzinfo=UTC))
    assert verdict(check, Visit, visit) == ["No."]
    for left_out in ({"ends_at"}, {"starts_at"}, {"ends_at", "starts_at"}):
        assert verdict(check, Visit, visit, exclude=left_out) == []
        assert verdict(as_django(check), Visit, visit, exclude=left_out) == []


def test_the_database_refuses_what_was_never_tried() -> None:
    finding: Finding = FindingFactory()
    with pytest.raises(IntegrityError), transaction.atomic():
        Finding.objects.filter(pk=finding.pk).update(severity="danger", made_safe_how="")
