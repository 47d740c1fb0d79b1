"""Catalog: kinds of part, component types, constructions and their parts."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion
from servicedesk.core.rules.new_values import LimitedText, refuse_new, twin_fault
from units.fields import LengthField
from units.querysets import ComponentTypeQuerySet, ConstructionQuerySet


class Kind(models.TextChoices):
    """Kinds of part of an enclosure window, from the opening inward."""

    FRAME = "frame", "frame"
    TRACK = "track", "track or liner"
    SASH = "sash", "sash"
    CORNER = "corner", "corner joint"
    FILM = "film", "vinyl glazing"
    SPLINE = "spline", "spline"
    RELEASE = "release", "release (push pins, side spring)"
    HANDLE = "handle", "handle"
    WEATHERSTRIP = "weatherstrip", "weatherstrip"
    SCREEN = "screen", "screen"
    LITE = "lite", "fixed lower lite"
    FASTENERS = "fasteners", "fasteners"
    SEALANT = "sealant", "sealant"
    JAMB = "jamb", "extension jamb"
    DRAINAGE = "drainage", "sill drainage"
    UNIT = "unit", "whole unit"


class ComponentType(models.Model):
    """Component type of a kind of part, such as a rigid nylon liner of the kind track."""

    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=12, choices=Kind)
    aliases = models.CharField(
        "other names in files",
        max_length=240,
        blank=True,
        help_text="Names that mean this type in import files, separated by semicolons.",
    )
    note = LimitedText(blank=True)
    in_use = models.BooleanField("offered in forms", default=True)

    objects = ComponentTypeQuerySet.as_manager()

    class Meta:
        constraints = [BumpsVersion(name="componenttype_bumps_version")]
        ordering = ["kind", "name"]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Refuse a name that differs from another in capitals or blanks only."""
        refuse_new(self, {"name": twin_fault(self, "name")})

    def names(self) -> list[str]:
        """All names this type goes by in files."""
        return [self.name, *(alias.strip() for alias in self.aliases.split(";") if alias.strip())]


class Construction(models.Model):
    """A way of building a unit: which types its parts are, and how its panels run."""

    class PanelOrder(models.TextChoices):
        """Whether each panel fits one channel only, or every channel."""

        STEPPED = "stepped", "stepped: each panel narrower toward the screen"
        EQUAL = "equal", "equal: every panel fits every channel"

    class Release(models.TextChoices):
        """How a panel is let go to slide or to come out."""

        PINS = "pins", "push pins"
        SIDE_SPRING = "side_spring", "side spring"
        UNKNOWN = "", "not recorded"

    name = models.CharField(max_length=80, unique=True)
    code = models.CharField(
        max_length=12, unique=True, help_text="A short mark for import files, such as 1 or B."
    )
    aliases = models.CharField("other names in files", max_length=240, blank=True)
    panel_order = models.CharField(max_length=8, choices=PanelOrder, default=PanelOrder.EQUAL)
    release = models.CharField("release", max_length=12, choices=Release, blank=True)
    step_mm = LengthField("narrower per step, each side", null=True, blank=True)
    inside_edge_mm = LengthField("inside edge of the frame", null=True, blank=True)
    note = LimitedText(blank=True)
    in_use = models.BooleanField("offered in forms", default=True)

    objects = ConstructionQuerySet.as_manager()

    class Meta:
        ordering = ["code"]
        constraints = [
            BumpsVersion(name="construction_bumps_version"),
            Check(
                condition=Q(step_mm__isnull=True) | Q(step_mm__gt=0),
                name="construction_step_positive",
                violation_error_message=(
                    "The step between panels is more than nothing; leave it empty if unknown."
                ),
            ),
            Check(
                condition=Q(inside_edge_mm__isnull=True) | Q(inside_edge_mm__gt=0),
                name="construction_inside_edge_positive",
                violation_error_message="The inside edge is more than nothing; leave it empty if unknown.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Refuse a name or code that differs from another in capitals or blanks only."""
        refuse_new(self, {name: twin_fault(self, name) for name in ("name", "code")})

    def names(self) -> list[str]:
        """All names this construction goes by in files."""
        return [self.name, self.code, *(alias.strip() for alias in self.aliases.split(";") if alias.strip())]


class ConstructionPart(models.Model):
    """A type that units of a construction come with, and how many pieces of it."""

    construction = models.ForeignKey(Construction, on_delete=models.CASCADE, related_name="parts")
    component_type = models.ForeignKey(ComponentType, on_delete=models.PROTECT, related_name="+")
    pieces = models.PositiveSmallIntegerField(default=1)
    each_panel = models.BooleanField("this many for each panel", default=False)
    optional = models.BooleanField("only where the unit has one", default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["construction", "component_type"],
                name="constructionpart_once",
                violation_error_message="This construction already has that type.",
            ),
            Check(
                condition=Q(pieces__gt=0),
                name="constructionpart_pieces_positive",
                violation_error_message="A part comes in at least one piece.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.component_type} in {self.construction}"

    def pieces_for(self, panels: int) -> int:
        """Number of pieces in a unit with so many panels."""
        return self.pieces * panels if self.each_panel else self.pieces
