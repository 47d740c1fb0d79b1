"""Files brought in: one batch an import, its rows held in staging until they are applied."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

from servicedesk.people.batch_querysets import BatchQuerySet, StagedProblemQuerySet, StagedRowQuerySet


class InputFile(models.TextChoices):
    """The files a fleet comes in."""

    UNITS = "units", "units"
    PERIODS = "periods", "periods"
    HISTORY = "history", "history"


class Batch(models.Model):
    """One import, from upload to applied or undone."""

    class Stage(models.TextChoices):
        """How far the import has come."""

        STAGING = "staging", "being checked"
        CHECKED = "checked", "checked, not applied yet"
        REFUSED = "refused", "not applied"
        APPLYING = "applying", "being applied"
        APPLIED = "applied", "applied"
        UNDOING = "undoing", "being undone"
        UNDONE = "undone", "undone"

    class Step(models.TextChoices):
        """What is being written while a batch is applied."""

        UNITS = "units", "units with their parts"
        HISTORY = "history", "history"
        REPEATS = "repeats", "links between repeated faults"
        CARE = "care", "dates of the next care"
        OTHERS = "others", "care of units known before"
        CLEARING = "clearing", "clearing up"

    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    stage = models.CharField(max_length=10, choices=Stage, default=Stage.STAGING)
    folder = models.CharField(max_length=64, unique=True, help_text="Below the folder of incoming files.")
    keep_good = models.BooleanField("apply the good rows even if others are bad", default=False)
    check_only = models.BooleanField("check the files and stop", default=False)
    care_by = models.CharField("who does the care at new sites", max_length=10)
    problem = models.TextField("why it can't go on", blank=True)

    work_done = models.PositiveBigIntegerField("done of the present stage", default=0)
    work_total = models.PositiveBigIntegerField("all of the present stage", default=0)
    step = models.CharField("what is being applied", max_length=8, choices=Step, default=Step.UNITS)
    cursor = models.PositiveBigIntegerField("applied up to this line or record", default=0)

    worker = models.CharField("the process at work on it", max_length=120, blank=True)
    held_until = models.DateTimeField("the process is believed alive until", null=True, blank=True)

    objects = BatchQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "batches"
        indexes = [models.Index(fields=["stage"], name="batch_by_stage")]

    def __str__(self) -> str:
        return f"import {self.pk}"

    def get_absolute_url(self) -> str:
        """The page of the import."""
        return reverse("office:import", args=[self.pk])

    @property
    def percent(self) -> int:
        """How much of the present stage is done."""
        return min(100, 100 * self.work_done // self.work_total) if self.work_total else 0


class BatchFile(models.Model):
    """One file of an import, and how its rows fared."""

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
    """One row of a file as it was understood."""

    class State(models.TextChoices):
        """What is to be done with the row."""

        NEW = "new", "to be applied"
        KNOWN = "known", "known already"
        BAD = "bad", "can't be applied"

    # No index of its own: each of those below begins with the batch, and so it is in the other tables here.
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
    """One cell that can't be taken as it is: where it stands, what it holds, and how to mend it."""

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
    """A customer's name as the file spells it first; within a batch, the same name is the same customer."""

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
