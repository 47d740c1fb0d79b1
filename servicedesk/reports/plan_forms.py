"""What can be asked of the figures that plan, and the changes and inspections that follow from them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import QueryDict
from django.utils import timezone

from schedules.models import MaintenanceRule
from servicedesk.reports.forecast.figure import Assumptions
from servicedesk.reports.forms import FigureForm, PeriodForm
from servicedesk.reports.maintenance.figure import ToldCosts
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.summary import twelve_months
from units.forms import DayField

INSPECT_WITHIN = timedelta(days=14)
"""When inspections are due if nobody says otherwise."""

COST_ERRORS = {"min_value": "A cost is more than nothing: leave both empty to reckon in minutes of work."}


class ForecastForm(FigureForm):
    """What the next twelve months will take, and what is planned with."""

    level = forms.IntegerField(
        required=False,
        min_value=50,
        max_value=99,
        label="How sure the stock is to do, in per cent",
        error_messages={
            "min_value": "Less than 50 per cent means running out more often than not: take 50 to 99.",
            "max_value": "No stock is sure to do: take 50 to 99 per cent.",
        },
    )
    vans = forms.IntegerField(
        required=False,
        min_value=1,
        max_value=50,
        label="Vans that carry stock",
        error_messages={
            "min_value": "Take 1 to 50 vans; with one all is kept in it.",
            "max_value": "Take 1 to 50 vans.",
        },
    )
    warranty = forms.FloatField(
        required=False,
        min_value=0,
        max_value=50,
        label="Years of warranty from fitting",
        error_messages={"min_value": "Take 0 to 50 years.", "max_value": "Take 0 to 50 years."},
    )

    def shown_first(self) -> Iterable[str]:
        return ("part", "component", "mode", "level", "vans", "warranty")

    @property
    def assumptions(self) -> Assumptions:
        """What is planned with; the usual where nothing was said."""
        cleaned_data, usual = self.cleaned_data, Assumptions()
        level, warranty = cleaned_data.get("level"), cleaned_data.get("warranty")
        return Assumptions(
            level=usual.level if level is None else level / 100,
            vans=cleaned_data.get("vans") or usual.vans,
            warranty=usual.warranty if warranty is None else warranty,
        )


class MaintenanceForm(FigureForm):
    """How often care is worth its while: which care rule, and what things cost."""

    rule = forms.ModelChoiceField(
        MaintenanceRule.objects.none(), required=False, label="Care", empty_label="choose"
    )
    maintenance_cost = forms.FloatField(
        required=False, min_value=0.01, max_value=1e7, label="One care costs", error_messages=COST_ERRORS
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
        """The rule asked for, or None as long as none is chosen."""
        rule: MaintenanceRule | None = self.cleaned_data.get("rule")
        return rule

    @property
    def costs(self) -> ToldCosts:
        """What one care, one failure and one replacement in time cost, where the owner says."""
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
            self.add_error("failure_cost", "Give what care and a failure cost too, in the same money.")
        return cleaned_data


class IntervalForm(forms.Form):
    """Another interval for a care rule, and why."""

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


class InspectForm(forms.Form):
    """Inspections of some units, because of what the figures say."""

    reason = forms.CharField(max_length=200, label="What to look at, and why")
    minutes = forms.IntegerField(
        min_value=1,
        max_value=480,
        initial=15,
        label="Minutes for each unit",
        error_messages={"min_value": "Take 1 to 480 minutes.", "max_value": "Take 1 to 480 minutes."},
    )
    due_on = DayField(label="Due by")

    def __init__(self, data: QueryDict | None = None, *, reason: str = "", today: date) -> None:
        initial = {"reason": reason, "due_on": today + INSPECT_WITHIN}
        super().__init__(data, initial=initial, label_suffix="")


class YearForm(PeriodForm):
    """Which days a report is about; the last twelve months where nothing was said."""

    def selection(self, today: date) -> Selection:
        """Give the days asked for."""
        last = min(self.cleaned_data["until"] or today, today)
        first = self.cleaned_data["from"] or twelve_months(last).from_on
        return Selection(as_of=last, dated=last != today, from_on=first)

    def clean(self) -> dict[str, Any]:
        cleaned_data = super().clean()
        if cleaned_data.get("from") and cleaned_data["from"] > timezone.localdate():
            self.add_error("from", "That day is still to come: there is nothing to report yet.")
        return cleaned_data


def rules_in_force() -> QuerySet[MaintenanceRule]:
    """List the care rules in force."""
    return MaintenanceRule.objects.filter(active=True).select_related("component_type")
