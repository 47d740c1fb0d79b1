"""Models of the failure log, of surveillance flags, and of requests for figures."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.urls import reverse

from servicedesk.reports.querysets import (
    FailureDayQuerySet,
    FigureRequestQuerySet,
    LotFlagQuerySet,
    RiskDayQuerySet,
)

LONGEST_ADDRESS = 2000


class FailureDay(models.Model):
    """Failures of one type by one mode on one day (days without any have no row)."""

    on = models.DateField()
    component_type = models.ForeignKey("units.ComponentType", on_delete=models.PROTECT, related_name="+")
    mode = models.ForeignKey("units.FailureMode", on_delete=models.PROTECT, related_name="+")
    failures = models.PositiveIntegerField()

    objects = FailureDayQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["on", "component_type", "mode"],
                name="failureday_once",
                violation_error_message="The failure log has this day, type and mode already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.on} {self.component_type} {self.mode}: {self.failures}"


class RiskDay(models.Model):
    """Number of items of one type at risk on one day."""

    on = models.DateField()
    component_type = models.ForeignKey("units.ComponentType", on_delete=models.PROTECT, related_name="+")
    items = models.PositiveIntegerField()

    objects = RiskDayQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["on", "component_type"],
                name="riskday_once",
                violation_error_message="The failure log has this day and type already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.on} {self.component_type}: {self.items}"


class LotFlag(models.Model):
    """Surveillance flag of a lot of a type (or a whole type, where ``lot`` is empty) that fails more often.

    It is raised on the first night it stands out and cleared on the first night it does not any more; the
    numbers are those of the last night on which it stood out.
    """

    class Way(models.TextChoices):
        """Test by which it was flagged."""

        OVER_ALL = "over-all", "more failures than the others, over all"
        OF_LATE = "of-late", "more failures than expected of late"

    component_type = models.ForeignKey("units.ComponentType", on_delete=models.PROTECT, related_name="+")
    lot = models.CharField(max_length=60, blank=True)
    way = models.CharField(max_length=8, choices=Way)
    raised_on = models.DateField()
    cleared_on = models.DateField(null=True, blank=True)
    events = models.PositiveIntegerField()
    expected = models.FloatField()
    failed_sites = models.PositiveIntegerField()
    items = models.PositiveIntegerField()
    sites = models.PositiveIntegerField()
    years = models.FloatField()
    times = models.FloatField(null=True, help_text="Empty: all failures are its own.")
    times_low = models.FloatField(null=True)
    times_high = models.FloatField(null=True, help_text="Empty: no limit.")
    q_value = models.FloatField(null=True)
    running = models.FloatField(null=True)
    limit = models.FloatField(null=True)

    objects = LotFlagQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["component_type", "lot", "way"],
                condition=Q(cleared_on__isnull=True),
                name="lotflag_raised_once",
                violation_error_message="This lot is flagged already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.words}: {self.get_way_display()}"

    def get_absolute_url(self) -> str:
        """URL of the page of the flag."""
        return reverse("reports:flag", args=[self.pk])

    @property
    def words(self) -> str:
        """Name of the lot or type."""
        name = self.component_type.name
        return f"lot {self.lot} of {name}" if self.lot else f"all lots of {name}"


class SurveyMark(models.Model):
    """Date and counts of the last nightly surveillance."""

    surveyed_on = models.DateField()
    looked_at = models.DateTimeField()
    lots = models.PositiveIntegerField()
    types = models.PositiveIntegerField()
    tested = models.PositiveIntegerField(null=True, help_text="Empty: a look of an older version.")
    false_a_year = models.FloatField(null=True, help_text="Flags to be expected if nothing were wrong.")

    def __str__(self) -> str:
        return f"looked at on {self.surveyed_on}"


class ThinLot(models.Model):
    """Lot that failed more than expected, but with too few failures for the latest surveillance to judge."""

    component_type = models.ForeignKey("units.ComponentType", on_delete=models.PROTECT, related_name="+")
    lot = models.CharField(max_length=60)
    events = models.PositiveIntegerField()
    expected = models.FloatField()
    failed_sites = models.PositiveIntegerField()
    items = models.PositiveIntegerField()
    sites = models.PositiveIntegerField()
    years = models.FloatField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["component_type", "lot"],
                name="thinlot_once",
                violation_error_message="This lot is noted already.",
            ),
        ]

    def __str__(self) -> str:
        return self.words

    @property
    def words(self) -> str:
        """Name of the lot or type."""
        return f"lot {self.lot} of {self.component_type.name}"


class FigureRequest(models.Model):
    """Request for the figures of a page of a large fleet, until a worker has computed them."""

    address = models.CharField(
        max_length=LONGEST_ADDRESS, help_text="The page with its question, as in /figures/rates/?by=mode."
    )
    requested_by = models.ForeignKey("accounts.User", on_delete=models.CASCADE, related_name="+")
    requested_at = models.DateTimeField()
    taken_up_at = models.DateTimeField(null=True, blank=True)
    problem = models.TextField(blank=True, help_text="Why they could not be computed.")

    objects = FigureRequestQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["address"],
                name="figurerequest_once",
                violation_error_message="These figures are being computed already.",
            ),
        ]

    def __str__(self) -> str:
        return self.address


class LogMark(models.Model):
    """Day up to which the failure log is complete, and time of its last update."""

    kept_until = models.DateField()
    kept_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"kept until {self.kept_until}"
