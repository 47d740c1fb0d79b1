"""Writing the history: every operation leaves who, when, through which door, and what changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime

from django.db import models

from servicedesk.people.models import Change, ChangedField, User
from servicedesk.people.models.changes import Door

_door: ContextVar[Door] = ContextVar("door", default=Door.COMMAND)


@contextmanager
def through(door: Door) -> Iterator[None]:
    """Mark all that is done inside as having come through ``door``."""
    token = _door.set(door)
    try:
        yield
    finally:
        _door.reset(token)


def shown_values(record: models.Model) -> dict[str, str]:
    """Take down what a record's fields hold, as people read them."""
    shown = {}
    for field in record._meta.concrete_fields:
        if field.primary_key:
            continue
        value = getattr(record, f"get_{field.name}_display", None)
        held = value() if value else getattr(record, field.name)
        shown[str(field.verbose_name)] = "" if held is None else str(held)
    return shown


def stored_values(record: models.Model) -> dict[str, str]:
    """Take down what the database holds for a record now, before a change is saved over it."""
    return shown_values(type(record)._base_manager.get(pk=record.pk))


def write_change(
    subject: models.Model,
    *,
    did: str,
    by: User | None,
    at: datetime,
    before: Mapping[str, str] | None = None,
    after: Mapping[str, str] | None = None,
) -> Change:
    """Add one row to the history; with before and after, also the fields that differ."""
    change = Change.objects.create(
        at=at,
        by=by,
        door=_door.get(),
        subject=subject._meta.label_lower,
        subject_id=subject.pk,
        did=did[:200],
    )
    if after is not None:
        old = before or {}
        ChangedField.objects.bulk_create(
            ChangedField(change=change, field=name, before=old.get(name, ""), after=value)
            for name, value in after.items()
            if old.get(name, "") != value
        )
    return change
