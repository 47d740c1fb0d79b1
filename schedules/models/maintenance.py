"""Preventive maintenance: rules, and the next due day of each installed part under them."""

from __future__ import annotations

from datetime import date

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from schedules.maintenance.recurrence import Season, next_due
from schedules.querysets import MaintenanceRuleQuerySet, NextDueQuerySet
from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.new_values import LimitedText
from servicedesk.core.values.dates import month_day
from units.models import FailureMode

LEAP_YEAR = 2000  # a season may end on February 29


class WorkKind(models.TextChoices):
    """Kinds of work on a part."""

    CLEANED = "cleaned", "cleaned"
    LUBRICATED = "lubricated", "lubricated"
    CHECKED = "checked", "checked"
    ADJUSTED = "adjusted", "adjusted"
    REPAIRED = "repaired", "repaired"
    REPLACED = "replaced", "replaced"


class Exposure(models.TextChoices):
    """What some parts are exposed to more than others."""

    NONE = "", "no exposure in particular"
    COAST = "coast", "salt water within 3,000 ft"
    POLLEN = "pollen", "much pollen"
    DARK_SUN = "dark_sun", "dark color in full sun"


class MaintenanceRule(models.Model):
    """Maintenance rule of a component type: what to do, how often, and in which season."""

    component_type = models.ForeignKey(
        "units.ComponentType", on_delete=models.PROTECT, related_name="maintenance_rules"
    )
    name = models.CharField("what to do", max_length=120)
    work = models.CharField("counts as done when a part was", max_length=10, choices=WorkKind)
    interval_months = models.PositiveSmallIntegerField("every so many months")
    exposed_to = models.CharField("where there is", max_length=8, choices=Exposure, blank=True)
    exposed_months = models.PositiveSmallIntegerField(
        "there every so many months",
        null=True,
        blank=True,
        help_text="Empty: only parts there come under the rule.",
    )
    season_from_month = models.PositiveSmallIntegerField(null=True, blank=True)
    season_from_day = models.PositiveSmallIntegerField(null=True, blank=True)
    season_until_month = models.PositiveSmallIntegerField(null=True, blank=True)
    season_until_day = models.PositiveSmallIntegerField(null=True, blank=True)
    minutes = models.PositiveSmallIntegerField("usual minutes", default=15)
    persons = models.PositiveSmallIntegerField(default=1)
    level = models.PositiveSmallIntegerField(
        "needs a", choices=FailureMode.Skill, default=FailureMode.Skill.HELPER
    )
    not_below_c = models.DecimalField(
        "not on days colder than, °C",
        max_digits=4,
        decimal_places=1,
        null=True,
        blank=True,
        help_text="For film, which cracks when bent cold. Counts on days with a forecast on the week sheet.",
    )
    material = models.CharField(
        "what it uses up", max_length=60, blank=True, help_text="Such as “silicone-free track lubricant, ml”."
    )
    material_each = models.PositiveSmallIntegerField("of that for each part", default=0)
    note = LimitedText("how to do it", blank=True)
    source = models.CharField(max_length=200, blank=True)
    active = models.BooleanField("active", default=True)
    planned_at = models.DateTimeField(
        null=True,
        editable=False,
        help_text="When every part of the type came under the rule; empty: not yet.",
    )

    objects = MaintenanceRuleQuerySet.as_manager()

    class Meta:
        ordering = ["component_type__kind", "component_type__name", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["component_type", "name"],
                name="maintenancerule_once_per_type",
                violation_error_message="This type already has a maintenance rule of that name.",
            ),
            Check(
                condition=Q(persons__gte=1, persons__lte=2),
                name="maintenancerule_one_or_two_persons",
                violation_error_message="Maintenance takes one or two people.",
            ),
            Check(
                condition=Q(interval_months__gte=1, interval_months__lte=240),
                name="maintenancerule_interval_plausible",
                violation_error_message="The interval runs from 1 to 240 months.",
            ),
            Check(
                condition=Q(exposed_months__isnull=True)
                | (Q(exposed_months__gte=1, exposed_months__lte=240) & ~Q(exposed_to="")),
                name="maintenancerule_exposure_whole",
                violation_error_message="Say where the other interval holds; it runs from 1 to 240 months.",
            ),
            Check(
                condition=Q(
                    season_from_month__isnull=True,
                    season_from_day__isnull=True,
                    season_until_month__isnull=True,
                    season_until_day__isnull=True,
                )
                | Q(
                    season_from_month__isnull=False,
                    season_from_day__isnull=False,
                    season_until_month__isnull=False,
                    season_until_day__isnull=False,
                ),
                name="maintenancerule_season_whole",
                violation_error_message=(
                    "Give the season's first and last day, both with month and day, or neither."
                ),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Refuse a season that begins or ends on a day no year has."""
        try:
            _ = self.season
        except ValueError as error:
            raise ValidationError({"season_from_month": str(error)}) from error

    @property
    def only_where_exposed(self) -> bool:
        """Whether only exposed parts come under the rule."""
        return bool(self.exposed_to) and self.exposed_months is None

    def months(self, *, exposed: bool) -> int:
        """Interval in months for parts that are exposed, or not."""
        return self.exposed_months if exposed and self.exposed_months else self.interval_months

    @property
    def season(self) -> Season | None:
        """Season in which this maintenance is done; None for any time."""
        ends = (
            self.season_from_month,
            self.season_from_day,
            self.season_until_month,
            self.season_until_day,
        )
        months_and_days = [end for end in ends if end is not None]
        return Season(*months_and_days) if len(months_and_days) == len(ends) else None

    @property
    def season_words(self) -> str:
        """Season in words."""
        season = self.season
        if season is None:
            return "any time"
        first = date(LEAP_YEAR, season.from_month, season.from_day)
        return f"{month_day(first)} to {month_day(date(LEAP_YEAR, season.until_month, season.until_day))}"


class NextDue(models.Model):
    """Next due day of one installed part under one rule, and when it was last done."""

    installed_part = models.ForeignKey(
        "units.InstalledPart", on_delete=models.CASCADE, related_name="next_due", db_index=False
    )
    rule = models.ForeignKey(MaintenanceRule, on_delete=models.CASCADE, related_name="due")
    counted_from = models.DateField(
        help_text="Last done, or fitted, or left out once: the interval begins here."
    )
    last_done_on = models.DateField(null=True, blank=True)
    next_due_on = models.DateField()
    exposed = models.BooleanField(
        default=False, help_text="Calculated with the interval of exposed parts (see the rule)."
    )

    objects = NextDueQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["next_due_on"], name="nextdue_by_date")]
        constraints = [
            models.UniqueConstraint(
                fields=["installed_part", "rule"],
                name="nextdue_once",
                violation_error_message="This part is already under that rule.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.rule} on {self.next_due_on}"

    def count_from(self, day: date) -> None:
        """Compute the next due day from a day, never from an earlier one than before (does not save)."""
        self.counted_from = max(self.counted_from, day)
        self.next_due_on = next_due(
            self.counted_from,
            interval_months=self.rule.months(exposed=self.exposed),
            season=self.rule.season,
        )
