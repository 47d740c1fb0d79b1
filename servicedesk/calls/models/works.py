"""Model of work done."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from schedules.models.maintenance import WorkKind
from servicedesk.calls.querysets import WorkQuerySet
from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion
from servicedesk.core.rules.new_values import LimitedText


class Work(models.Model):
    """Work done on a unit or one of its parts."""

    class Payer(models.TextChoices):
        """Who pays."""

        UNDECIDED = "undecided", "not decided yet"
        CUSTOMER = "customer", "customer"
        WARRANTY = "warranty", "warranty"
        GOODWILL = "goodwill", "goodwill"

    unit = models.ForeignKey("units.Unit", on_delete=models.PROTECT, related_name="works", db_index=False)
    installed_part = models.ForeignKey(
        "units.InstalledPart",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="works",
        db_index=False,
    )
    finding = models.ForeignKey(
        "calls.Finding", on_delete=models.PROTECT, null=True, blank=True, related_name="works"
    )
    call = models.ForeignKey(
        "calls.Call", on_delete=models.PROTECT, null=True, blank=True, related_name="works"
    )
    task = models.ForeignKey(
        "schedules.MaintenanceTask", on_delete=models.SET_NULL, null=True, blank=True, related_name="works"
    )
    kind = models.CharField("what was done", max_length=10, choices=WorkKind)
    done_on = models.DateField()
    minutes = models.PositiveSmallIntegerField(null=True, blank=True)
    pieces = models.PositiveSmallIntegerField("pieces used", default=0)
    whole_set = models.BooleanField("the whole set was replaced", default=False)
    payer = models.CharField("who pays", max_length=10, choices=Payer, default=Payer.UNDECIDED)
    note = LimitedText(blank=True)
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)
    ref = models.CharField("reference in older records", max_length=60, blank=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = WorkQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["unit", "done_on"], name="work_by_unit"),
            models.Index(fields=["installed_part", "kind", "done_on"], name="work_by_installed_part"),
        ]
        constraints = [
            BumpsVersion(name="work_bumps_version"),
            Check(
                condition=Q(minutes__isnull=True) | Q(minutes__lte=1440),
                name="work_minutes_within_a_day",
                violation_error_message="Minutes of one piece of work run from 0 to 1,440 (a whole day).",
            ),
            Check(
                condition=~Q(kind="replaced") | Q(pieces__gt=0),
                name="work_replaced_counts_pieces",
                violation_error_message="Say how many pieces were replaced.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit} {self.kind} on {self.done_on}"
