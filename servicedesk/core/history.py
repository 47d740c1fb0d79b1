"""Audit trail: every operation records who changed what, when, and from which source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime
from typing import TYPE_CHECKING

from django.apps import apps
from django.db import models

from servicedesk.core.models import Change, ChangedField
from servicedesk.core.models.changes import Source

if TYPE_CHECKING:
    from servicedesk.accounts.models import User

CALLED = {"accounts.user": "person", "core.batch": "import"}
_source: ContextVar[Source] = ContextVar("source", default=Source.COMMAND)


@contextmanager
def change_source(source: Source) -> Iterator[None]:
    """Context manager that records changes made inside it as coming from ``source``."""
    token = _source.set(source)
    try:
        yield
    finally:
        _source.reset(token)


def name_of(subject: str) -> str:
    """Name of a kind of record, such as "units.unit", for people; of a kind that is gone, as stored."""
    if subject in CALLED:
        return CALLED[subject]
    try:
        return str(apps.get_model(subject)._meta.verbose_name)
    except LookupError:
        return subject


def shown_values(record: models.Model, *, beside: models.Model | None = None) -> dict[str, str]:
    """Values of a record's fields, as people read them.

    With ``beside``, another state of the record, only fields that differ: the record a foreign key points to
    is read from the database to be named, which costs dozens of statements for all of them.
    """
    fields = [field for field in record._meta.concrete_fields if not field.primary_key]
    return {
        str(field.verbose_name): shown_value(record, field)
        for field in fields
        if beside is None or getattr(record, field.attname) != getattr(beside, field.attname)
    }


def shown_value(record: models.Model, field: models.Field) -> str:
    """Value of one field of a record, as people read it."""
    value = getattr(record, f"get_{field.name}_display", None)
    content = value() if value else getattr(record, field.name)
    return "" if content is None else str(content)


def stored_record(record: models.Model) -> models.Model:
    """Read and lock the stored row of a record, before a change is saved over it.

    The row stays locked until the transaction ends: of two who change it at once, the second sees what the
    first stored.
    """
    return type(record)._base_manager.select_for_update(no_key=True, of=("self",)).get(pk=record.pk)


def stored_values(record: models.Model) -> dict[str, str]:
    """Stored values of a record, read as `stored_record` reads them."""
    return shown_values(stored_record(record))


def write_change(
    subject: models.Model,
    *,
    action: str,
    by: User | None,
    at: datetime,
    before: Mapping[str, str] | None = None,
    after: Mapping[str, str] | None = None,
) -> Change:
    """Add one row to the history; with ``before`` and ``after``, also the fields that differ."""
    change = Change.objects.create(
        at=at,
        by=by,
        source=_source.get(),
        subject=subject._meta.label_lower,
        subject_id=subject.pk,
        action=action[:200],
    )
    if after is not None:
        old = before or {}
        ChangedField.objects.bulk_create(
            ChangedField(change=change, field=name, before=old.get(name, ""), after=value)
            for name, value in after.items()
            if old.get(name, "") != value
        )
    return change
