"""Follow-up periods of units."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion, NoOverlap
from units.querysets import ObservationPeriodQuerySet

from .units import Unit


class ObservationPeriod(models.Model):
    """Follow-up period: days on which a failure of a unit would have reached our records."""

    class Began(models.TextChoices):
        """Why follow-up of the unit began."""

        FITTED = "fitted", "fitted by us"
        TAKEN_OVER = "taken_over", "taken over from others"
        AGREED = "agreed", "maintenance agreed"
        UNSAID = "unsaid", "not said when imported"

    class Ended(models.TextChoices):
        """Why follow-up of the unit ended."""

        OPEN = "", "still in service"
        REMOVED = "removed", "unit removed"
        LAPSED = "lapsed", "contact lost or agreement ended"
        SOLD = "sold", "house sold, new owner not with us"

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="periods")
    from_on = models.DateField("under our service since")
    until_on = models.DateField("service until", null=True, blank=True)
    began = models.CharField("began because", max_length=12, choices=Began, default=Began.FITTED)
    ended = models.CharField("ended because", max_length=8, choices=Ended, blank=True)
    last_contact_on = models.DateField("last contact", null=True, blank=True)
    changed_at = models.DateTimeField(auto_now=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = ObservationPeriodQuerySet.as_manager()

    class Meta:
        ordering = ["from_on"]
        constraints = [
            BumpsVersion(name="observationperiod_bumps_version"),
            Check(
                condition=Q(until_on__isnull=True) | Q(until_on__gte=models.F("from_on")),
                name="observationperiod_dates_in_order",
                violation_error_message="Service can't end before it began: check the two dates.",
            ),
            NoOverlap(
                name="observationperiod_no_overlap",
                slot=("unit_id",),
                start="from_on",
                end="until_on",
                message="This unit was under our service on some of these days already: join the periods.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit} from {self.from_on}"
