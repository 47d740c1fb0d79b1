"""The fleet's failure log: what failed each day, and how many items could have."""

from __future__ import annotations

from django.db import models

from servicedesk.reports.querysets import FailureDayQuerySet, RiskDayQuerySet


class FailureDay(models.Model):
    """New failures of one type by one mode on one day (days without any have no row)."""

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
    """Items of one type that were in place and watched on one day."""

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


class LogMark(models.Model):
    """Up to which day the failure log is kept, and when it was last brought up to date."""

    kept_until = models.DateField()
    kept_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"kept until {self.kept_until}"
