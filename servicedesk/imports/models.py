"""Models of an import's files and its staged rows."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from servicedesk.core.models import Batch
from servicedesk.imports.querysets import StagedProblemQuerySet, StagedRowQuerySet


class InputFile(models.TextChoices):
    """Files of an import."""

    UNITS = "units", "units"
    PERIODS = "periods", "periods"
    HISTORY = "history", "history"


class BatchFile(models.Model):
    """One file of an import, and the counts of its rows."""

    batch = models.ForeignKey(Batch, on_delete=models.CASCADE, related_name="files", db_index=False)
    file = models.CharField(max_length=8, choices=InputFile)
    name = models.CharField("its name where it came from", max_length=200)
    size = models.PositiveBigIntegerField("bytes")
    rows = models.PositiveIntegerField(default=0)
    bad = models.PositiveIntegerField("rows that can't be applied", default=0)
    known = models.PositiveIntegerField("rows that were known already", default=0)
    applied = models.PositiveIntegerField("rows applied", default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["batch", "file"],
                name="batchfile_once",
                violation_error_message="An import has at most one file of each kind.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class StagedRow(models.Model):
    """Staged row: one row of a file as it was parsed."""

    class State(models.TextChoices):
        """State of a staged row."""

        NEW = "new", "to be applied"
        KNOWN = "known", "known already"
        BAD = "bad", "can't be applied"

    # No index of its own: each of those below begins with the batch, as in the other tables here.
    batch = models.ForeignKey(Batch, on_delete=models.CASCADE, related_name="rows", db_index=False)
    file = models.CharField(max_length=8, choices=InputFile)
    line = models.PositiveIntegerField()
    key = models.CharField("code of its unit", max_length=40, blank=True)
    identity = models.CharField(max_length=64, blank=True)
    facts = models.JSONField(default=dict)
    state = models.CharField(max_length=5, choices=State, default=State.NEW)
    note = models.CharField("why it counts as known", max_length=120, blank=True)

    objects = StagedRowQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["batch", "file", "state", "line"], name="stagedrow_by_state"),
            models.Index(fields=["batch", "file", "key"], name="stagedrow_by_key"),
            models.Index(
                fields=["batch", "identity"], condition=~Q(identity=""), name="stagedrow_by_identity"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.file} line {self.line}"


class StagedProblem(models.Model):
    """Problem of one cell: its place, its content, and how to correct it."""

    batch = models.ForeignKey(Batch, on_delete=models.CASCADE, related_name="problems", db_index=False)
    file = models.CharField(max_length=8, choices=InputFile)
    line = models.PositiveIntegerField()
    column = models.CharField(max_length=40, blank=True)
    value = models.CharField(max_length=200, blank=True)
    reason = models.TextField()
    whole_file = models.BooleanField("nothing of the file can be used", default=False)

    objects = StagedProblemQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["batch", "file", "line"], name="stagedproblem_by_line")]

    def __str__(self) -> str:
        return f"{self.file} line {self.line}, {self.column}: {self.reason}"


class StagedSite(models.Model):
    """What the rows of a file say together about one site: each fact with the line that said it first."""

    batch = models.ForeignKey(Batch, on_delete=models.CASCADE, related_name="sites", db_index=False)
    code = models.CharField(max_length=40)
    facts = models.JSONField(default=dict)
    first_on = models.DateField("earliest day of its units", null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["batch", "code"],
                name="stagedsite_once",
                violation_error_message="This site is staged already.",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class StagedCustomer(models.Model):
    """Customer's name as the file spells it first; within a batch, the same name is the same customer."""

    batch = models.ForeignKey(Batch, on_delete=models.CASCADE, related_name="customers", db_index=False)
    key = models.CharField("name without regard to case", max_length=480)
    name = models.CharField(max_length=160)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["batch", "key"],
                name="stagedcustomer_once",
                violation_error_message="This customer is staged already.",
            ),
        ]

    def __str__(self) -> str:
        return self.name
