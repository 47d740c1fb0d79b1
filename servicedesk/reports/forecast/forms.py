"""Form of the forecast of twelve months."""

from __future__ import annotations

from collections.abc import Iterable

from django import forms

from servicedesk.reports.forecast.figure import Assumptions
from servicedesk.reports.forms import FigureForm


class ForecastForm(FigureForm):
    """Selection and planning assumptions of the forecast."""

    level = forms.IntegerField(
        required=False,
        min_value=50,
        max_value=99,
        label="How sure the stock is to be enough, in percent",
        error_messages={
            "min_value": "Less than 50 percent means running out more often than not: take 50 to 99.",
            "max_value": "No stock is always enough: take 50 to 99 percent.",
        },
    )
    vans = forms.IntegerField(
        required=False,
        min_value=1,
        max_value=50,
        label="Vans that carry stock",
        error_messages={
            "min_value": "Take 1 to 50 vans; with one, all stock is in it.",
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
        """Planning assumptions, with the defaults where a field is empty."""
        cleaned_data, usual = self.cleaned_data, Assumptions()
        level, warranty = cleaned_data.get("level"), cleaned_data.get("warranty")
        return Assumptions(
            level=usual.level if level is None else level / 100,
            vans=cleaned_data.get("vans") or usual.vans,
            warranty=usual.warranty if warranty is None else warranty,
        )
