"""Installed parts of units, and the partial removal of their pieces."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion, FoundByScraps, NoOverlap, RowRule
from servicedesk.core.values.searching import upper
from units.querysets import InstalledPartQuerySet

from .parts import ComponentType, Kind
from .units import Unit


class InstalledPart(models.Model):
    """Pieces of one type in one slot of a unit: a kind of part, in the whole unit or in one panel."""

    WHOLE = 0

    # No index of its own where one below begins with the same column, as in the records of calls.
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="installed_parts", db_index=False)
    component_type = models.ForeignKey(
        ComponentType, on_delete=models.PROTECT, related_name="installed_parts", db_index=False
    )
    kind = models.CharField(max_length=12, choices=Kind)
    panel = models.PositiveSmallIntegerField(default=WHOLE, help_text="0 stands for the whole unit.")
    pieces = models.PositiveSmallIntegerField("pieces when fitted", default=1)
    lot = models.CharField(max_length=60, blank=True)
    fitted_on = models.DateField("fitted")
    removed_on = models.DateField("taken out", null=True, blank=True)
    age_known = models.BooleanField("the fitting date is known", default=True)
    recorded_at = models.DateTimeField(auto_now_add=True)
    changed_at = models.DateTimeField(auto_now=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = InstalledPartQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["unit", "kind", "panel"], name="installed_part_by_slot"),
            models.Index(fields=["component_type", "unit"], name="installed_part_by_type"),
            models.Index(fields=["lot"], name="installed_part_by_lot", condition=~Q(lot="")),
            models.Index(fields=["recorded_at"], name="installed_part_by_recorded"),
        ]
        constraints = [
            FoundByScraps(name="installed_part_by_scraps", texts=(upper("lot"),), only="NOT (lot = '')"),
            BumpsVersion(name="installed_part_bumps_version"),
            Check(
                condition=Q(removed_on__isnull=True) | Q(removed_on__gte=models.F("fitted_on")),
                name="installed_part_dates_in_order",
                violation_error_message=(
                    "A part can't be removed before it was fitted: check the two dates."
                ),
            ),
            Check(
                condition=Q(pieces__gt=0),
                name="installed_part_pieces_positive",
                violation_error_message="A part comes in at least one piece.",
            ),
            NoOverlap(
                name="installed_part_one_per_slot",
                slot=("unit_id", "kind", "panel"),
                start="fitted_on",
                end="removed_on",
                message=(
                    "This place in the unit already holds a part on some of these days: "
                    "end that part on the day the new one goes in."
                ),
            ),
            RowRule(
                name="installed_part_not_in_removed_unit",
                violated=(
                    "EXISTS (SELECT 1 FROM units_unit u WHERE u.id = NEW.unit_id AND u.removed_on IS NOT NULL"
                    " AND (NEW.removed_on IS NULL OR NEW.removed_on > u.removed_on))"
                ),
                message="The unit was removed: its parts end on that day at the latest.",
                lock="unit_id",
            ),
            RowRule(
                name="installed_part_kind_is_its_types",
                violated=(
                    "NOT EXISTS (SELECT 1 FROM units_componenttype t"
                    " WHERE t.id = NEW.component_type_id AND t.kind = NEW.kind)"
                ),
                message="A part's kind is the kind of its type.",
            ),
        ]

    def __str__(self) -> str:
        where = f", panel {self.panel}" if self.panel else ""
        return f"{self.component_type}{where}"

    @property
    def pieces_left(self) -> int:
        """Number of pieces still in place; needs `partial_removals` prefetched to stay cheap."""
        return self.pieces - sum(partial_removal.pieces for partial_removal in self.partial_removals.all())


class PartialRemoval(models.Model):
    """Pieces removed before the rest, when one panel's share was changed to another type."""

    installed_part = models.ForeignKey(
        InstalledPart, on_delete=models.PROTECT, related_name="partial_removals"
    )
    panel = models.PositiveSmallIntegerField()
    pieces = models.PositiveSmallIntegerField()
    left_on = models.DateField("taken out")

    class Meta:
        constraints = [
            BumpsVersion(name="partial_removal_bumps_version"),
            models.UniqueConstraint(
                fields=["installed_part", "panel"],
                name="partial_removal_once_per_panel",
                violation_error_message="The pieces of this panel have left this part already.",
            ),
            Check(
                condition=Q(pieces__gt=0),
                name="partial_removal_pieces_positive",
                violation_error_message="At least one piece leaves.",
            ),
            RowRule(
                name="partial_removal_leaves_some",
                violated=(
                    "(SELECT f.pieces FROM units_installedpart f WHERE f.id = NEW.installed_part_id)"
                    " <= NEW.pieces + COALESCE((SELECT SUM(o.pieces) FROM {table} o"
                    " WHERE o.installed_part_id = NEW.installed_part_id AND o.id <> COALESCE(NEW.id, 0)), 0)"
                ),
                message="Fewer pieces can leave one by one than are fitted; replace the whole set instead.",
                lock="installed_part_id",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pieces} of {self.installed_part} left panel {self.panel}"
