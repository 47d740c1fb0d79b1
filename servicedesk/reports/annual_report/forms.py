"""What is asked of the annual report."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.utils import timezone

from servicedesk.reports.forms import PeriodForm
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.summary import twelve_months


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
