"""Form of the inspections that follow from surveillance."""

from __future__ import annotations

from datetime import date, timedelta

from django import forms
from django.http import QueryDict

from units.forms import DayField

INSPECT_WITHIN = timedelta(days=14)
"""Default time until inspections are due."""


class InspectForm(forms.Form):
    """Reason, minutes and due date of inspections of some units."""

    reason = forms.CharField(max_length=200, label="What to inspect, and why")
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
