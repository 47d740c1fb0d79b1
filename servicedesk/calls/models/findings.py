"""Models of inspections and findings."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from servicedesk.calls.querysets import FindingQuerySet, InspectionQuerySet
from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion
from servicedesk.core.rules.new_values import LimitedText


class Corner(models.TextChoices):
    """A corner of a panel, seen from inside."""

    NONE = "", "no corner"
    UPPER_LEFT = "UL", "upper left"
    UPPER_RIGHT = "UR", "upper right"
    LOWER_LEFT = "LL", "lower left"
    LOWER_RIGHT = "LR", "lower right"


class Inspection(models.Model):
    """Inspection of a unit on a day: no fault found, or with findings."""

    class Outcome(models.TextChoices):
        """Outcome of an inspection."""

        NO_FAULT_FOUND = "fine", "inspected, no faults"
        FINDINGS = "findings", "with findings"

    unit = models.ForeignKey(
        "units.Unit", on_delete=models.PROTECT, related_name="inspections", db_index=False
    )
    inspected_on = models.DateField()
    outcome = models.CharField(max_length=8, choices=Outcome)
    call = models.ForeignKey(
        "calls.Call", on_delete=models.PROTECT, null=True, blank=True, related_name="inspections"
    )
    visit = models.ForeignKey(
        "schedules.Visit", on_delete=models.PROTECT, null=True, blank=True, related_name="inspections"
    )
    note = LimitedText(blank=True)
    inspected_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = InspectionQuerySet.as_manager()

    class Meta:
        constraints = [BumpsVersion(name="inspection_bumps_version")]
        indexes = [models.Index(fields=["unit", "inspected_on"], name="inspection_by_unit")]

    def __str__(self) -> str:
        return f"{self.unit} {self.get_outcome_display()} on {self.inspected_on}"


class Finding(models.Model):
    """A fault or wear seen on a part (or on a unit, where nobody can say which part)."""

    class Severity(models.TextChoices):
        """Severity for the people who use the window."""

        COSMETIC = "cosmetic", "cosmetic"
        HINDERS = "hinders", "hard to operate"
        UNUSABLE = "unusable", "not usable"
        DANGER = "danger", "unsafe"

    class Detected(models.TextChoices):
        """How the fault became known (separate from its cause)."""

        CALLED = "called", "customer called"
        MAINTENANCE = "care", "found on a maintenance visit"
        REPAIR = "repair", "found while repairing something else"
        UNKNOWN = "", "not recorded"

    class Mechanism(models.TextChoices):
        """Failure mechanism; families follow ISO 14224:2016 Table B.2 (family 5 from memory)."""

        UNKNOWN = "", "unknown"
        LEAKAGE = "1.1", "leakage"
        ALIGNMENT = "1.3", "clearance or alignment"
        DEFORMATION = "1.4", "deformation"
        LOOSENESS = "1.5", "looseness"
        STICKING = "1.6", "sticking"
        MATERIAL = "2.0", "change of the material"
        CORROSION = "2.2", "corrosion"
        WEAR = "2.4", "wear"
        BREAKAGE = "2.5", "breakage"
        FATIGUE = "2.6", "fatigue"
        OVERHEATING = "2.7", "overheating"
        BLOCKAGE = "5.1", "blockage"
        CONTAMINATION = "5.2", "contamination"

    class Cause(models.TextChoices):
        """Failure cause, as far as known (cause groups after ISO 14224, from memory)."""

        UNKNOWN = "", "unknown"
        DESIGN = "design", "design or choice of material"
        FITTING = "fitting", "making or fitting"
        USE = "use", "use or maintenance"
        WEATHER = "weather", "sun, cold, salt or storm"
        OPENING = "opening", "the opening moved"
        OTHER = "other", "something else"

    unit = models.ForeignKey("units.Unit", on_delete=models.PROTECT, related_name="findings", db_index=False)
    installed_part = models.ForeignKey(
        "units.InstalledPart",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="findings",
        db_index=False,
    )
    mode = models.ForeignKey(
        "units.FailureMode", on_delete=models.PROTECT, related_name="findings", db_index=False
    )
    call = models.ForeignKey(
        "calls.Call", on_delete=models.PROTECT, null=True, blank=True, related_name="findings"
    )
    inspection = models.ForeignKey(
        Inspection, on_delete=models.PROTECT, null=True, blank=True, related_name="findings"
    )
    found_on = models.DateField()
    last_good_on = models.DateField("last known to be fine", null=True, blank=True)
    panel = models.PositiveSmallIntegerField("panel position that day", null=True, blank=True)
    corner = models.CharField(max_length=2, choices=Corner, blank=True)
    place = models.CharField("where, in words", max_length=120, blank=True)
    mechanism = models.CharField(max_length=4, choices=Mechanism, blank=True)
    cause = models.CharField(max_length=8, choices=Cause, blank=True)
    severity = models.CharField(max_length=8, choices=Severity, default=Severity.HINDERS)
    made_safe_how = models.CharField("what made it safe", max_length=240, blank=True)
    is_failure = models.BooleanField("a failure (not just worn)", default=True)
    detected = models.CharField("how it became known", max_length=8, choices=Detected, blank=True)
    repeat = models.BooleanField("the same fault as before", default=False)
    continues = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="continued_by"
    )
    note = LimitedText(blank=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)
    changed_at = models.DateTimeField(auto_now=True)
    ref = models.CharField("reference in older records", max_length=60, blank=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = FindingQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["unit", "mode", "found_on"], name="finding_by_unit"),
            models.Index(fields=["installed_part", "is_failure"], name="finding_by_installed_part"),
            models.Index(fields=["mode", "found_on"], name="finding_by_mode"),
            models.Index(fields=["changed_at"], name="finding_by_changed"),
        ]
        constraints = [
            BumpsVersion(name="finding_bumps_version"),
            Check(
                condition=Q(corner="") | Q(panel__isnull=False),
                name="finding_corner_needs_panel",
                violation_error_message="A corner belongs to a panel: say which panel.",
            ),
            Check(
                condition=Q(continues__isnull=True) | Q(repeat=True),
                name="finding_continues_is_repeat",
                violation_error_message="A finding that continues an earlier one is the same fault.",
            ),
            Check(
                condition=Q(last_good_on__isnull=True) | Q(last_good_on__lte=models.F("found_on")),
                name="finding_good_before_found",
                violation_error_message="The part was fine before the fault was found: check both days.",
            ),
            Check(
                condition=~Q(severity="danger") | ~Q(made_safe_how=""),
                name="finding_danger_says_how",
                violation_error_message="This is unsafe: say what was done to make it safe.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.mode} on {self.found_on}"

    @property
    def where(self) -> str:
        """Place of the fault in words."""
        words = [
            f"panel {self.panel}" if self.panel else "",
            self.get_corner_display() if self.corner else "",
        ]
        return ", ".join([word for word in words if word] + ([self.place] if self.place else []))
