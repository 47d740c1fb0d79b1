"""Forms of maintenance rules."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import QueryDict

from schedules.models import MaintenanceRule
from servicedesk.reports.forms import FigureForm
from servicedesk.reports.maintenance.figure import ToldCosts

COST_ERRORS = {"min_value": "A cost is more than nothing: leave both empty to calculate in minutes of work."}


class MaintenanceForm(FigureForm):
    """Selection of a maintenance rule and its costs."""

    rule = forms.ModelChoiceField(
        MaintenanceRule.objects.none(), required=False, label="Maintenance rule", empty_label="choose"
    )
    maintenance_cost = forms.FloatField(
        required=False,
        min_value=0.01,
        max_value=1e7,
        label="One maintenance costs",
        error_messages=COST_ERRORS,
    )
    failure_cost = forms.FloatField(
        required=False,
        min_value=0.01,
        max_value=1e7,
        label="One failure costs, or a year with a hidden defect",
        error_messages=COST_ERRORS,
    )

    replace_cost = forms.FloatField(
        required=False,
        min_value=0.01,
        max_value=1e7,
        label="Replacing one before it fails costs",
        error_messages=COST_ERRORS,
    )

    def __init__(self, data: QueryDict, *, today: date) -> None:
        super().__init__(data, today=today)
        for name in ("part", "component"):
            del self.fields[name]
        self.order_fields(self.shown_first())
        self.fields["rule"].queryset = rules_in_force()  # type: ignore[attr-defined]
        self.fields["rule"].label_from_instance = (  # type: ignore[attr-defined]
            lambda rule: f"{rule.component_type}: {rule.name}"
        )

    def shown_first(self) -> Iterable[str]:
        return ("rule", "maintenance_cost", "failure_cost", "replace_cost", "mode")

    @property
    def chosen(self) -> MaintenanceRule | None:
        """Chosen rule, or None as long as none is chosen."""
        rule: MaintenanceRule | None = self.cleaned_data.get("rule")
        return rule

    @property
    def costs(self) -> ToldCosts:
        """Costs of maintenance, a failure and a planned replacement, None where not given."""
        cleaned_data = self.cleaned_data
        return {
            "maintenance": cleaned_data.get("maintenance_cost"),
            "failure": cleaned_data.get("failure_cost"),
            "replacing": cleaned_data.get("replace_cost"),
        }

    def clean(self) -> dict[str, Any]:
        cleaned_data = super().clean()
        given = [name for name in ("maintenance_cost", "failure_cost") if cleaned_data.get(name) is not None]
        if not self.errors and len(given) == 1:
            other = "failure_cost" if given == ["maintenance_cost"] else "maintenance_cost"
            self.add_error(other, "Give both costs, in the same money, or neither.")
        elif not self.errors and cleaned_data.get("replace_cost") is not None and not given:
            self.add_error(
                "failure_cost", "Give what one maintenance and one failure cost too, in the same money."
            )
        return cleaned_data


class IntervalForm(forms.Form):
    """New interval of a maintenance rule, and the reason."""

    months = forms.IntegerField(
        min_value=1,
        max_value=240,
        label="Every so many months",
        error_messages={
            "min_value": "The interval runs from 1 to 240 months.",
            "max_value": "The interval runs from 1 to 240 months.",
            "required": "Say every how many months.",
        },
    )
    why = forms.CharField(
        max_length=120, label="Why it changes", error_messages={"required": "Say why the interval changes."}
    )

    def __init__(self, data: QueryDict | None = None, *, initial: dict[str, Any] | None = None) -> None:
        super().__init__(data, initial=initial, label_suffix="")


def rules_in_force() -> QuerySet[MaintenanceRule]:
    """Maintenance rules in force."""
    return MaintenanceRule.objects.filter(active=True).select_related("component_type")
