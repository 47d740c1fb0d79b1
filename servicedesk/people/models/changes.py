"""The history: who changed what, when, and through which door."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from servicedesk.people.querysets import ChangeQuerySet


class Door(models.TextChoices):
    """The way a change came in."""

    PAGE = "page", "page"
    PHONE = "phone", "phone"
    COMMAND = "command", "command"
    CLOCK = "clock", "clock"
    IMPORT = "import", "import"


class Change(models.Model):
    """One thing done to one record. Rows are only ever added."""

    at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    door = models.CharField(max_length=10, choices=Door)
    subject = models.CharField(max_length=80)
    subject_id = models.BigIntegerField()
    did = models.CharField(max_length=200)

    objects = ChangeQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["subject", "subject_id", "at"], name="change_by_subject")]

    def __str__(self) -> str:
        return f"{self.did} ({self.subject} {self.subject_id})"


class ChangedField(models.Model):
    """What one field held before a change and after it, as it was shown."""

    change = models.ForeignKey(Change, on_delete=models.PROTECT, related_name="fields")
    field = models.CharField(max_length=80)
    before = models.TextField(blank=True)
    after = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["change", "field"],
                name="changedfield_once_per_change",
                violation_error_message="A change names each field once.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.field}: {self.before} -> {self.after}"
