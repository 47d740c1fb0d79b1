"""Anonymization of single records and their history, itself recorded in the history."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Model, Q, QuerySet

from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from servicedesk.core.models import Change, ChangedField, Erasure
from servicedesk.core.rules.constraints import ERASED
from servicedesk.privacy.scrubbing import Scrubber

ACTION = "a customer’s words were erased"


@dataclass
class Anonymizer:
    """Anonymizes for a user at a moment, and counts what was anonymized so far."""

    by: User | None
    at: datetime
    records: int = 0
    history: int = 0

    def anonymize_history(self, rows: Sequence[Model], *, fields: Iterable[str] | None = None) -> None:
        """Anonymize the old values of records, or of some of their fields."""
        if not rows:
            return
        subject, keys = rows[0]._meta.label_lower, [row.pk for row in rows]
        values = ChangedField.objects.filter(change__subject=subject, change__subject_id__in=keys)
        if fields is not None:
            values = values.filter(field__in=list(fields))
        self._allow(set(values.values_list("change__subject_id", flat=True)), subject)
        self._wipe(values)

    def _wipe(self, values: QuerySet[ChangedField]) -> None:
        keys = list(values.values_list("pk", flat=True))
        changed_fields = ChangedField.objects.filter(pk__in=keys)
        changed_fields.filter(~Q(before="")).update(before=ERASED)
        changed_fields.filter(~Q(after="")).update(after=ERASED)
        self.history += len(keys)

    def _allow(self, keys: Iterable[int], subject: str) -> None:
        """Record which records are anonymized; the database allows a change of their old values only then."""
        known = set(Erasure.objects.filter(subject=subject, at=self.at).values_list("subject_id", flat=True))
        Erasure.objects.bulk_create(
            Erasure(at=self.at, by=self.by, subject=subject, subject_id=key)
            for key in sorted(set(keys) - known)
        )

    def empty(self, rows: Sequence[Model], **values: object) -> None:
        """Overwrite values of records, and record in their history that it was done."""
        for row in rows:
            if all(getattr(row, name) == value for name, value in values.items()):
                continue
            for name, value in values.items():
                setattr(row, name, value)
            row.full_clean()
            row.save(update_fields=list(values))
            write_change(row, action=ACTION, by=self.by, at=self.at)
            self.records += 1

    def scrub_history(self, rows: Sequence[Model], scrubber: Scrubber) -> None:
        """Anonymize those old values of records that contain what the scrubber removes."""
        if not rows:
            return
        subject = rows[0]._meta.label_lower
        changes = Change.objects.filter(subject=subject, subject_id__in=[row.pk for row in rows])
        named = {change for change in changes if scrubber.text(change.action) != change.action}
        fields = [
            field
            for field in ChangedField.objects.filter(change__in=changes).select_related("change")
            if any(scrubber.text(text) != text for text in (field.before, field.after))
        ]
        self._allow(
            {change.subject_id for change in named} | {field.change.subject_id for field in fields}, subject
        )
        self.history += Change.objects.filter(pk__in=[change.pk for change in named]).update(action=ERASED)
        self._wipe(ChangedField.objects.filter(pk__in=[field.pk for field in fields]))


def shown_as(rows: Sequence[Model], *names: str) -> list[str]:
    """Names of fields as the history has them."""
    return [str(rows[0]._meta.get_field(name).verbose_name) for name in names] if rows else []  # type: ignore[union-attr]
