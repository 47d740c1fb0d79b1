"""Models of the history: who changed what, when, and from which source."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from servicedesk.core.querysets import ChangeQuerySet
from servicedesk.core.rules.constraints import OnlyAdded

SUBJECT_ERASED = (
    "EXISTS (SELECT 1 FROM core_erasure e WHERE e.subject = {change}.subject"
    " AND e.subject_id = {change}.subject_id)"
)


class Source(models.TextChoices):
    """Source of a change."""

    PAGE = "page", "page"
    PHONE = "phone", "app"
    COMMAND = "command", "command"
    CLOCK = "clock", "background job"
    IMPORT = "import", "import"


class Change(models.Model):
    """One change to one record. Rows are only ever added."""

    at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    source = models.CharField(max_length=10, choices=Source)
    subject = models.CharField(max_length=80)
    subject_id = models.BigIntegerField()
    action = models.CharField(max_length=200)

    objects = ChangeQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["subject", "subject_id", "at"], name="change_by_subject"),
            models.Index(fields=["at", "id"], name="change_by_time"),
        ]
        constraints = [
            OnlyAdded(
                name="change_only_added", erasable=("action",), permit=SUBJECT_ERASED.format(change="OLD")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.action} ({self.subject} {self.subject_id})"

    @property
    def way(self) -> str:
        """Source of the change, as part of a sentence."""
        return f"by {self.get_source_display()}"


class ChangedField(models.Model):
    """Value of one field before and after a change, as it was shown."""

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
            OnlyAdded(
                name="changedfield_only_added",
                erasable=("before", "after"),
                permit=(
                    "EXISTS (SELECT 1 FROM core_change c WHERE c.id = OLD.change_id AND "  # noqa: S608
                    f"{SUBJECT_ERASED.format(change='c')})"
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.field}: {self.before} -> {self.after}"


class Erasure(models.Model):
    """Record that personal data were removed from one record, and from its history, for good.

    The database then allows the history's old values of this record to be replaced by "erased"; nothing else
    in the history can be changed.
    """

    at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    subject = models.CharField(max_length=80)
    subject_id = models.BigIntegerField()

    class Meta:
        indexes = [models.Index(fields=["subject", "subject_id"], name="erasure_by_subject")]
        constraints = [OnlyAdded(name="erasure_only_added")]

    def __str__(self) -> str:
        return f"{self.subject} {self.subject_id}"
