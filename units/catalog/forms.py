"""Forms of the catalog: component types, constructions and their parts, failure modes."""

from __future__ import annotations

from django import forms

from units.models import ComponentType, Construction, ConstructionPart, FailureMode


class ComponentTypeForm(forms.ModelForm):
    """A component type."""

    class Meta:
        model = ComponentType
        fields = ["name", "kind", "aliases", "note", "in_use"]
        widgets = {"note": forms.Textarea(attrs={"rows": 3})}


class ConstructionForm(forms.ModelForm):
    """A construction: a way of building a unit."""

    class Meta:
        model = Construction
        fields = [
            "name",
            "code",
            "aliases",
            "panel_order",
            "release",
            "step_mm",
            "inside_edge_mm",
            "note",
            "in_use",
        ]
        widgets = {"note": forms.Textarea(attrs={"rows": 3})}
        help_texts = {
            "step_mm": "Only for stepped tracks. Leave empty if nobody has measured it.",
            "inside_edge_mm": "Decides whether an extension jamb can be added later.",
        }


class FailureModeForm(forms.ModelForm):
    """A failure mode of a kind of part."""

    class Meta:
        model = FailureMode
        fields = [
            "code",
            "kind",
            "name",
            "mechanism",
            "cause",
            "detection",
            "only_at_look",
            "effect",
            "first_aid",
            "spares",
            "skill",
            "persons",
            "minutes",
            "hazards",
            "expected_on",
            "source",
            "in_use",
        ]
        widgets = {"expected_on": forms.CheckboxSelectMultiple}


class ConstructionPartForm(forms.ModelForm):
    """One part a construction comes with."""

    class Meta:
        model = ConstructionPart
        fields = ["component_type", "pieces", "each_panel", "optional"]


PartsFormSet = forms.inlineformset_factory(
    Construction, ConstructionPart, form=ConstructionPartForm, extra=2, can_delete=True
)
