"""Model of one import of files, to which the records it made point."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.urls import reverse

from servicedesk.core.querysets import BatchQuerySet


class Batch(models.Model):
    """One import, from upload to applied or reverted."""

    class Stage(models.TextChoices):
        """Stage of an import."""

        STAGING = "staging", "being checked"
        CHECKED = "checked", "checked, not applied yet"
        REFUSED = "refused", "not applied"
        APPLYING = "applying", "being applied"
        APPLIED = "applied", "applied"
        REVERTING = "reverting", "being undone"
        REVERTED = "reverted", "undone"

    class Step(models.TextChoices):
        """Step of applying a batch."""

        UNITS = "units", "units with their parts"
        HISTORY = "history", "history"
        REPEATS = "repeats", "links between repeated faults"
        MAINTENANCE = "care", "dates of the next maintenance"
        OTHERS = "others", "maintenance of units known before"
        CLEARING = "clearing", "clearing up"

    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    stage = models.CharField(max_length=10, choices=Stage, default=Stage.STAGING)
    folder = models.CharField(max_length=64, unique=True, help_text="Below the folder of incoming files.")
    keep_good = models.BooleanField("import valid rows even if others are not valid", default=False)
    check_only = models.BooleanField("check the files and stop", default=False)
    care_by = models.CharField("who does the maintenance at new sites", max_length=10)
    problem = models.TextField("why it can't go on", blank=True)

    work_done = models.PositiveBigIntegerField("done of the present stage", default=0)
    work_total = models.PositiveBigIntegerField("all of the present stage", default=0)
    step = models.CharField("what is being applied", max_length=8, choices=Step, default=Step.UNITS)
    cursor = models.PositiveBigIntegerField("applied up to this line or record", default=0)

    worker = models.CharField("the process at work on it", max_length=120, blank=True)
    leased_until = models.DateTimeField("the process is believed alive until", null=True, blank=True)

    objects = BatchQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "batches"
        indexes = [models.Index(fields=["stage"], name="batch_by_stage")]

    def __str__(self) -> str:
        return f"import {self.pk}"

    def get_absolute_url(self) -> str:
        """Address of the import's page."""
        return reverse("imports:import", args=[self.pk])

    @property
    def percent(self) -> int:
        """Share of the present stage that is done, in percent."""
        return min(100, 100 * self.work_done // self.work_total) if self.work_total else 0
