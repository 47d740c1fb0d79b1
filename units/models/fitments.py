"""Parts in their slots, from one day to another."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from servicedesk.conditions import Check
from servicedesk.constraints import NoOverlap, RowRule, TellsOfChanges
from units.blocks import BLOCK_OF_FITMENT, BLOCK_OF_UNIT
from units.querysets import FitmentQuerySet

from .parts import ComponentType, Kind
from .units import Unit


class Fitment(models.Model):
    """Pieces of one type in one slot of a unit: a kind of part, in the whole unit or in one panel."""

    WHOLE = 0

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="fitments")
    component_type = models.ForeignKey(ComponentType, on_delete=models.PROTECT, related_name="fitments")
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
        "people.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = FitmentQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["unit", "kind", "panel"], name="fitment_by_slot"),
            models.Index(fields=["component_type", "unit"], name="fitment_by_type"),
            models.Index(fields=["lot"], name="fitment_by_lot", condition=~Q(lot="")),
            models.Index(fields=["recorded_at"], name="fitment_by_recorded"),
        ]
        constraints = [
            TellsOfChanges(name="fitment_tells_of_changes", block=BLOCK_OF_UNIT),
            Check(
                condition=Q(removed_on__isnull=True) | Q(removed_on__gte=models.F("fitted_on")),
                name="fitment_dates_in_order",
                violation_error_message=(
                    "A part can't be taken out before it was fitted: check the two dates."
                ),
            ),
            Check(
                condition=Q(pieces__gt=0),
                name="fitment_pieces_positive",
                violation_error_message="A part comes in at least one piece.",
            ),
            NoOverlap(
                name="fitment_one_per_slot",
                slot=("unit_id", "kind", "panel"),
                start="fitted_on",
                end="removed_on",
                message=(
                    "This place in the unit already holds a part on some of these days: "
                    "end that part on the day the new one goes in."
                ),
            ),
            RowRule(
                name="fitment_not_in_removed_unit",
                violated=(
                    "EXISTS (SELECT 1 FROM units_unit u WHERE u.id = NEW.unit_id AND u.removed_on IS NOT NULL"
                    " AND (NEW.removed_on IS NULL OR NEW.removed_on > u.removed_on))"
                ),
                message="The unit was removed: its parts end on that day at the latest.",
                lock="PERFORM 1 FROM units_unit WHERE id = NEW.unit_id FOR SHARE;",
            ),
            RowRule(
                name="fitment_kind_is_its_types",
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
        """Pieces of this fitment still in place; needs `departures` prefetched to stay cheap."""
        return self.pieces - sum(departure.pieces for departure in self.departures.all())


class Departure(models.Model):
    """Pieces that left a fitment before the rest, when one panel's share was changed to another type."""

    fitment = models.ForeignKey(Fitment, on_delete=models.PROTECT, related_name="departures")
    panel = models.PositiveSmallIntegerField()
    pieces = models.PositiveSmallIntegerField()
    left_on = models.DateField("taken out")

    class Meta:
        constraints = [
            TellsOfChanges(name="departure_tells_of_changes", block=BLOCK_OF_FITMENT),
            models.UniqueConstraint(
                fields=["fitment", "panel"],
                name="departure_once_per_panel",
                violation_error_message="The pieces of this panel have left this fitment already.",
            ),
            Check(
                condition=Q(pieces__gt=0),
                name="departure_pieces_positive",
                violation_error_message="At least one piece leaves.",
            ),
            RowRule(
                name="departure_leaves_some",
                violated=(
                    "(SELECT f.pieces FROM units_fitment f WHERE f.id = NEW.fitment_id)"
                    " <= NEW.pieces + COALESCE((SELECT SUM(o.pieces) FROM {table} o"
                    " WHERE o.fitment_id = NEW.fitment_id AND o.id <> COALESCE(NEW.id, 0)), 0)"
                ),
                message="Fewer pieces can leave one by one than are fitted; replace the whole set instead.",
                lock="PERFORM 1 FROM units_fitment WHERE id = NEW.fitment_id FOR UPDATE;",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pieces} of {self.fitment} left panel {self.panel}"
