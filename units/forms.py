"""Forms of the register."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from servicedesk.core.idempotency import IdempotencyKeyForm
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.mail_addresses import MailField
from servicedesk.core.values.searching import ScrapField
from servicedesk.core.values.typed import FIRST_DAY, LAST_DAY
from units.fields import TemperatureInput
from units.models import (
    ComponentType,
    Construction,
    Customer,
    InstalledPart,
    ObservationPeriod,
    Site,
    Unit,
)

JUST_NOW = timedelta(days=30)
"""How recently a unit was installed that we are taken to have fitted."""


class DayField(forms.DateField):
    """A day, picked or typed."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> date | None:
        """Parse a day; an error quotes the value, because a browser's date box doesn't show it again."""
        try:
            day = super().to_python(value)
        except ValidationError as error:
            raise ValidationError(
                f"“{value}” is no day: write it as year, month and day, such as 2026-03-31."
            ) from error
        if day is not None and not FIRST_DAY <= day <= LAST_DAY:
            raise ValidationError(
                f"“{value}” is too far off: days run from {FIRST_DAY} to {LAST_DAY}. Check the year."
            )
        return day


class CustomerForm(forms.ModelForm):
    """A customer's name and how to reach them."""

    class Meta:
        model = Customer
        fields = ["name", "phone", "email", "note"]
        field_classes = {"email": MailField}


class NewCustomerForm(IdempotencyKeyForm, CustomerForm):
    """A new customer."""


class SiteForm(forms.ModelForm):
    """Address, access and exposure of a site."""

    class Meta:
        model = Site
        fields = [
            "code",
            "address",
            "postcode",
            "access_notes",
            "care_by",
            "year_built",
            "coast",
            "pollen",
            "latitude",
            "longitude",
        ]
        widgets = {"access_notes": forms.Textarea(attrs={"rows": 3})}
        help_texts = {
            "code": "Your own short name for the place, such as S-0261.",
            "access_notes": "Gate, dog, where to park. Never sent to calendars.",
            "care_by": "Only maintenance by us becomes our work.",
            "year_built": "Homes from before 1978 may hold lead paint.",
            "latitude": "Such as 38.9072. Needed to plan routes; leave empty if unknown.",
            "longitude": "Such as -77.0369; west is negative.",
        }


class NewSiteForm(IdempotencyKeyForm, SiteForm):
    """A new site and its owner."""

    customer = forms.ModelChoiceField(queryset=Customer.objects.none(), required=False)
    owned_from = DayField(label="Owner since", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["customer"].queryset = Customer.objects.order_by("name")  # type: ignore[attr-defined]
        self.fields["customer"].help_text = "Add the customer first if the name is not in the list."


class OwnerForm(forms.Form):
    """New owner of a site from a day on."""

    customer = forms.ModelChoiceField(
        queryset=Customer.objects.order_by("name"),
        required=False,
        label="New owner",
        help_text="Leave empty if the new owner is not a customer of ours.",
    )
    on = DayField(label="Since")


class UnitForm(forms.ModelForm):
    """What is recorded about a unit."""

    day_temperature_c = TemperatureInput(
        label="Temperature on the day",
        help_text="The liner's gap only means something with the day's temperature.",
    )

    class Meta:
        model = Unit
        fields = [
            "code",
            "place",
            "panels",
            "width_mm",
            "height_mm",
            "lower_lite_mm",
            "stack",
            "release_side",
            "facing",
            "shade",
            "finish",
            "above_grade_mm",
            "installed_on",
            "crew",
            "day_temperature_c",
            "end_gap_mm",
            "opening_width_mm",
            "opening_height_mm",
            "note",
        ]
        widgets = {"note": forms.Textarea(attrs={"rows": 3})}
        field_classes = {"installed_on": DayField}
        help_texts = {
            "code": "The code on the unit or its label; each unit has its own.",
            "place": "Such as north wall, second from the door.",
            "panels": "As counted. If left empty, the height decides: three below 60 in, else four.",
            "width_mm": 'Of the sliding field. Type 35 7/8, 35-7/8", 2\' 11 7/8" or 911 mm.',
            "height_mm": "Of the whole window, with any fixed lower lite.",
            "lower_lite_mm": "Only where there is fixed glass below the panels.",
            "above_grade_mm": "Decides which fall cautions are shown.",
            "end_gap_mm": "Both ends together, on the day it was fitted.",
        }

    def clean(self) -> dict[str, Any]:
        """Keep an unchanged temperature that was stored before there were limits."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if self.has_error("day_temperature_c") and "day_temperature_c" not in self.changed_data:
            del self.errors["day_temperature_c"]
            cleaned["day_temperature_c"] = self.initial.get("day_temperature_c")
        return cleaned


class NewUnitForm(IdempotencyKeyForm, UnitForm):
    """A new unit, its construction, and the first day of its follow-up."""

    construction = forms.ModelChoiceField(
        queryset=Construction.objects.none(),
        required=False,
        help_text="Sets the parts the unit starts with. Single parts can be changed on the unit's page.",
    )
    lot = forms.CharField(
        max_length=60, required=False, help_text="The maker's lot of track, sash and corners, if it is known."
    )
    extension_jamb = forms.BooleanField(label="It has an extension jamb", required=False)
    observed_from = DayField(
        label="Under our service since",
        required=False,
        help_text="The day it was installed if we fitted it, otherwise the day we took it over. If left "
        "empty: since it was installed, but only if that was in the last 30 days.",
    )
    age_known = forms.BooleanField(
        label="The day it was installed is known, not guessed", required=False, initial=True
    )

    field_order = ["code", "place", "construction", "panels", "width_mm", "height_mm", "installed_on"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        offered = Construction.objects.offered()
        self.fields["construction"].queryset = offered  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Require the start of follow-up of a unit installed long ago: rates are computed from it."""
        cleaned = super().clean()
        installed_on = cleaned.get("installed_on")
        if (
            installed_on is not None
            and installed_on < timezone.localdate() - JUST_NOW
            and not cleaned.get("observed_from")
            and not self.has_error("observed_from")
        ):
            self.add_error(
                "observed_from",
                "The unit was installed more than 30 days ago. Say since when it is under our "
                f"service: since {long_date(installed_on)} if we fitted it, otherwise since we took it over.",
            )
        return cleaned


class FitForm(IdempotencyKeyForm):
    """A part to fit into an empty slot."""

    component_type = forms.ModelChoiceField(queryset=ComponentType.objects.none(), label="Part")
    panel = forms.TypedChoiceField(coerce=int, label="Where")
    pieces = forms.IntegerField(min_value=1, initial=1)
    lot = forms.CharField(max_length=60, required=False)
    on = DayField(label="Fitted on")

    def __init__(self, *args: Any, unit: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["component_type"].queryset = ComponentType.objects.offered()  # type: ignore[attr-defined]
        self.fields["panel"].choices = panel_choices(unit)  # type: ignore[attr-defined]


class ReplaceForm(IdempotencyKeyForm):
    """Replacement of all pieces of a slot, perhaps by another type."""

    component_type = forms.ModelChoiceField(queryset=ComponentType.objects.none(), label="New part")
    on = DayField(label="Replaced on")
    pieces = forms.IntegerField(min_value=1)
    lot = forms.CharField(max_length=60, required=False)

    def __init__(self, *args: Any, installed_part: InstalledPart, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        types = ComponentType.objects.offered().filter(kind=installed_part.kind)
        self.fields["component_type"].queryset = types  # type: ignore[attr-defined]
        self.fields["component_type"].initial = installed_part.component_type_id
        self.fields["pieces"].initial = installed_part.pieces_left


class ShareForm(IdempotencyKeyForm):
    """Change of one panel's share of a part to another type."""

    panel = forms.TypedChoiceField(coerce=int, label="Which panel")
    component_type = forms.ModelChoiceField(queryset=ComponentType.objects.none(), label="New part")
    pieces = forms.IntegerField(
        min_value=1, required=False, help_text="Leave empty for that panel's even share."
    )
    on = DayField(label="Replaced on")
    lot = forms.CharField(max_length=60, required=False)

    def __init__(self, *args: Any, installed_part: InstalledPart, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        types = ComponentType.objects.offered().filter(kind=installed_part.kind)
        self.fields["component_type"].queryset = types  # type: ignore[attr-defined]
        self.fields["panel"].choices = panel_choices(installed_part.unit)[1:]  # type: ignore[attr-defined]


class TakeOutForm(forms.Form):
    """Removal of a part without replacement, or of a whole unit."""

    on = DayField(label="Removed on")


class ObservationForm(forms.ModelForm):
    """Start of a follow-up period of a unit, and why."""

    class Meta:
        model = ObservationPeriod
        fields = ["from_on", "began"]
        field_classes = {"from_on": DayField}


class EndObservationForm(forms.ModelForm):
    """End of a follow-up period of a unit, and why."""

    class Meta:
        model = ObservationPeriod
        fields = ["until_on", "ended", "last_contact_on"]
        field_classes = {"until_on": DayField, "last_contact_on": DayField}


class UnitSearchForm(forms.Form):
    """Search form of units."""

    q = ScrapField(label="Code, customer, address or lot")
    construction = forms.ModelChoiceField(
        queryset=Construction.objects.all(), required=False, empty_label="any"
    )
    part = forms.ModelChoiceField(
        queryset=ComponentType.objects.order_by("kind", "name"),
        required=False,
        label="Has part",
        empty_label="any",
    )
    state = forms.ChoiceField(
        choices=[("", "in place"), ("removed", "removed"), ("all", "all")], required=False
    )


def panel_choices(unit: Unit) -> list[tuple[int, str]]:
    """List the slots of a unit: the whole, then each panel."""
    panels = unit.panels or 0
    return [(0, "the whole unit"), *((n, f"panel {n}") for n in range(1, panels + 1))]
