"""Form that records work done."""

from __future__ import annotations

from typing import Any

from django import forms

from schedules.models.maintenance import WorkKind
from servicedesk.calls.models import Finding, Work
from servicedesk.calls.operations import Swap
from servicedesk.core.idempotency import IdempotencyKeyForm
from servicedesk.core.values.dates import short_date
from units.forms import DayField
from units.models import ComponentType, InstalledPart, Unit

PIECES, SET, SHARE = "pieces", "set", "share"


class InstalledPartField(forms.ModelChoiceField):
    """Choice of a part of the unit; removed parts show since when."""

    def label_from_instance(self, obj: Any) -> str:
        gone = f" (removed {short_date(obj.removed_on)})" if obj.removed_on else ""
        return f"{obj.get_kind_display()}: {obj}{gone}"


class FindingChoiceField(forms.ModelChoiceField):
    """Choice of a finding at the unit, labeled by its day."""

    def label_from_instance(self, obj: Any) -> str:
        where = f", {obj.where}" if obj.where else ""
        return f"{obj.mode.full_name}{where}, {short_date(obj.found_on)}"


EXTENTS = [
    (PIECES, "Some pieces of the same type"),
    (SET, "Whole set"),
    (SHARE, "One panel"),
]


class WorkForm(IdempotencyKeyForm, forms.ModelForm):
    """Form of work done: what, on which part, and who pays."""

    kind = forms.ChoiceField(label="What was done", choices=WorkKind.choices, widget=forms.RadioSelect)
    installed_part = InstalledPartField(
        queryset=InstalledPart.objects.none(), required=False, label="On what", empty_label="the whole unit"
    )
    finding = FindingChoiceField(
        queryset=Finding.objects.none(), required=False, label="For finding", empty_label="no finding"
    )
    done_on = DayField(label="Done on")
    minutes = forms.IntegerField(label="Minutes", min_value=0, max_value=1440, required=False)
    pieces = forms.IntegerField(
        label="Pieces used",
        min_value=0,
        max_value=999,
        required=False,
        help_text="For one panel or the whole set: leave empty for all pieces.",
    )
    extent = forms.ChoiceField(
        label="How much was replaced",
        choices=EXTENTS,
        widget=forms.RadioSelect,
        initial=PIECES,
        required=False,
    )
    component_type = forms.ModelChoiceField(
        queryset=ComponentType.objects.none(), required=False, label="New part", empty_label="choose a part"
    )
    lot = forms.CharField(max_length=60, required=False, label="Lot of the new part")
    panel = forms.TypedChoiceField(label="Which panel", coerce=int, empty_value=None, required=False)
    maker_allows = forms.BooleanField(label="The maker of the liner says so", required=False)

    class Meta:
        model = Work
        fields = ["kind", "installed_part", "finding", "done_on", "minutes", "pieces", "payer", "note"]
        widgets = {"note": forms.Textarea(attrs={"rows": 2})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        unit: Unit = self.instance.unit
        parts = InstalledPart.objects.for_sheet().filter(unit=unit)
        kinds = parts.order_by().values("kind")
        types = ComponentType.objects.offered().filter(kind__in=kinds)
        self.fields["installed_part"].queryset = parts  # type: ignore[attr-defined]
        self.fields["component_type"].queryset = types  # type: ignore[attr-defined]
        self.fields["finding"].queryset = Finding.objects.for_unit_sheet(unit)  # type: ignore[attr-defined]
        self.fields["panel"].choices = [  # type: ignore[attr-defined]
            ("", "choose a panel"),
            *((str(number), f"panel {number}") for number in range(1, (unit.panels or 0) + 1)),
        ]
        self.fields["installed_part"].error_messages["invalid_choice"] = (
            "That part is not in this unit any more."
        )
        self.fields["kind"].error_messages["required"] = "Choose what was done."
        self._need("component_type", SET, SHARE, or_else="Say what was put in; the same type again is fine.")
        self._need("panel", SHARE, or_else="Say which panel’s pieces were replaced.")

    def _need(self, name: str, *extents: str, or_else: str) -> None:
        """Require a field for these extents of a replacement only; for others it is not shown."""
        replaced = self.data.get("kind") == WorkKind.REPLACED and self.data.get("extent") in extents
        self.fields[name].required = replaced or not self.is_bound
        self.fields[name].error_messages["required"] = or_else

    def clean(self) -> dict[str, Any]:
        """Derive what a replacement needs; fields of a replacement are cleared for other work."""
        data = super().clean() or self.cleaned_data
        data["pieces"] = data.get("pieces") or 0
        if data.get("kind") != WorkKind.REPLACED:
            return data
        extent = data.get("extent") or PIECES
        if extent == PIECES:
            if not data["pieces"]:
                self.add_error("pieces", "Say how many pieces were replaced.")
            return data
        if data.get("installed_part") is None:
            self.add_error("installed_part", "Say which part was replaced.")
        if not self.errors and not data["pieces"]:
            self._count(data, extent)
        return data

    def _count(self, data: dict[str, Any], extent: str) -> None:
        """Number of pieces in a whole set, or in one panel's even share."""
        part: InstalledPart = data["installed_part"]
        panels = self.instance.unit.panels
        if extent == SET:
            data["pieces"] = part.pieces_left
        elif panels and part.pieces % panels == 0:
            data["pieces"] = part.pieces // panels
        else:
            self.add_error(
                "pieces", "The pieces do not divide evenly by the panels: say how many were replaced."
            )

    @property
    def swap(self) -> Swap | None:
        """Parts to change in the register, or None where a single piece or nothing was replaced."""
        data = self.cleaned_data
        extent = data.get("extent") or PIECES
        if data["kind"] != WorkKind.REPLACED or extent == PIECES:
            return None
        return Swap(
            component_type=data["component_type"],
            lot=data["lot"],
            panel=data["panel"] if extent == SHARE else None,
        )
