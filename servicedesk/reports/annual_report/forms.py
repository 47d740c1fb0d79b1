"""Form of the annual report."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.utils import timezone

from servicedesk.reports.forms import PeriodForm
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.summary import twelve_months


class YearForm(PeriodForm):
    """Period of the annual report; by default the last twelve months."""

    def selection(self, today: date) -> Selection:
        """Selection of the period."""
        last = min(self.cleaned_data["until"] or today, today)
        first = self.cleaned_data["from"] or twelve_months(last).from_on
        return Selection(as_of=last, dated=last != today, from_on=first)

    def clean(self) -> dict[str, Any]:
        cleaned_data = super().clean()
        if cleaned_data.get("from") and cleaned_data["from"] > timezone.localdate():
            self.add_error("from", "That day is still to come: there is nothing to report yet.")
        return cleaned_data
