"""Units: the installed windows."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion, FoundByScraps, RowRule
from servicedesk.core.rules.new_values import LimitedText, refuse_new, twin_fault
from servicedesk.core.values.searching import CODE_SIGNS, bare, upper
from units.fields import LengthField
from units.querysets import UnitQuerySet

from .parts import Construction
from .sites import Site


class Unit(models.Model):
    """Unit: one enclosure window in one opening."""

    class Shade(models.TextChoices):
        """How much of the day the unit is shaded."""

        UNKNOWN = "", "not recorded"
        NONE = "none", "no shade"
        PART = "part", "part shade"
        FULL = "full", "full shade"

    class Finish(models.TextChoices):
        """Color class of frame and liner; dark ones get hot."""

        UNKNOWN = "", "not recorded"
        WHITE = "white", "white"
        LIGHT = "light", "light"
        MEDIUM = "medium", "medium"
        DARK = "dark", "dark"

    class Stack(models.TextChoices):
        """Where the open panels stack."""

        UNKNOWN = "", "not recorded"
        TOP = "top", "panels stack at the top"
        BOTTOM = "bottom", "panels stack at the bottom"

    class Side(models.TextChoices):
        """Side of the release, seen from inside."""

        UNKNOWN = "", "not recorded"
        LEFT = "left", "left"
        RIGHT = "right", "right"
        BOTH = "both", "both sides"

    code = models.CharField(max_length=40, unique=True)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="units")
    place = models.CharField("where on the porch", max_length=120, blank=True)
    construction = models.ForeignKey(
        Construction, on_delete=models.PROTECT, null=True, blank=True, related_name="units"
    )
    panels = models.PositiveSmallIntegerField(null=True, blank=True)
    width_mm = LengthField("width", null=True, blank=True)
    height_mm = LengthField("height", null=True, blank=True)
    lower_lite_mm = LengthField("height of the fixed lower lite", null=True, blank=True)
    facing = models.PositiveSmallIntegerField(
        "facing, degrees from north",
        null=True,
        blank=True,
        help_text="0 is north, 90 east, 180 south, 270 west.",
    )
    shade = models.CharField(max_length=8, choices=Shade, blank=True)
    finish = models.CharField(max_length=8, choices=Finish, blank=True)
    stack = models.CharField("open panels", max_length=8, choices=Stack, blank=True)
    release_side = models.CharField(max_length=8, choices=Side, blank=True)
    above_grade_mm = LengthField("porch floor above the ground", null=True, blank=True)
    installed_on = models.DateField("installed")
    removed_on = models.DateField("removed", null=True, blank=True)

    crew = models.CharField("fitted by", max_length=120, blank=True)
    day_temperature_c = models.DecimalField(
        "temperature on the day (°C)", max_digits=4, decimal_places=1, null=True, blank=True
    )
    end_gap_mm = LengthField("end gap left for the liner", null=True, blank=True)
    opening_width_mm = LengthField("measured opening, width", null=True, blank=True)
    opening_height_mm = LengthField("measured opening, height", null=True, blank=True)
    note = LimitedText(blank=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = UnitQuerySet.as_manager()

    class Meta:
        constraints = [
            FoundByScraps(
                name="unit_by_scraps", texts=(upper("code"), upper(bare("code", CODE_SIGNS)), upper("place"))
            ),
            BumpsVersion(name="unit_bumps_version"),
            Check(
                condition=Q(removed_on__isnull=True) | Q(removed_on__gte=models.F("installed_on")),
                name="unit_dates_in_order",
                violation_error_message=(
                    "A unit can't be removed before it was installed: check the two dates."
                ),
            ),
            Check(
                condition=Q(panels__isnull=True) | Q(panels__gte=1, panels__lte=12),
                name="unit_panels_counted",
                violation_error_message="A unit has 1 to 12 panels; leave the count empty if nobody counted.",
            ),
            Check(
                condition=(Q(width_mm__isnull=True) | Q(width_mm__gt=0))
                & (Q(height_mm__isnull=True) | Q(height_mm__gt=0)),
                name="unit_size_positive",
                violation_error_message=(
                    "Width and height are more than nothing; leave them empty if unknown."
                ),
            ),
            Check(
                condition=Q(lower_lite_mm__isnull=True)
                | Q(lower_lite_mm__gt=0, height_mm__isnull=True)
                | Q(lower_lite_mm__gt=0, lower_lite_mm__lt=models.F("height_mm")),
                name="unit_lite_within_height",
                violation_error_message=(
                    "The fixed lower lite is lower than the whole window: check both heights."
                ),
            ),
            Check(
                condition=Q(facing__isnull=True) | Q(facing__lt=360),
                name="unit_facing_in_range",
                violation_error_message="Facing runs from 0 (north) to 359 degrees.",
            ),
            RowRule(
                name="unit_removed_has_no_open_part",
                violated=(
                    "NEW.removed_on IS NOT NULL AND EXISTS (SELECT 1 FROM units_installedpart f"
                    " WHERE f.unit_id = NEW.id AND (f.removed_on IS NULL OR f.removed_on > NEW.removed_on))"
                ),
                message="A removed unit can't have parts that are still in place: end its parts on that day.",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    def get_absolute_url(self) -> str:
        """The unit's sheet."""
        return reverse("office:unit_sheet", args=[self.pk])

    def clean(self) -> None:
        """Refuse a code that differs from another in capitals or blanks only."""
        refuse_new(self, {"code": twin_fault(self, "code")})

    @property
    def in_place(self) -> bool:
        """Whether the unit is still in its opening."""
        return self.removed_on is None

    @property
    def length_unit(self) -> str:
        """Unit of length in which lengths are shown."""
        return str(settings.LENGTH_UNIT)
