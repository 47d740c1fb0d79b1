"""Forms of week planning: request a plan, move a visit, work terms, absences, agreed times, weather."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django import forms
from django.conf import settings

from schedules.models import Absence, AgreedTime, DayWeather, Weekday, WorkingDay, WorkTerms
from schedules.operations import Hours
from schedules.visits.shifts import BEGINS, ENDS, WORKWEEK
from servicedesk.accounts.models import User
from servicedesk.core.values.dates import weekday_date
from units.fields import TemperatureInput
from units.forms import DayField
from units.temperatures import unit_beside


class AskForm(forms.Form):
    """Which week to plan, and how far ahead next dues join a visit."""

    week = DayField(widget=forms.HiddenInput)
    horizon = forms.TypedChoiceField(
        label="When at a site also do what falls due within",
        choices=[(7, "the week"), (14, "two weeks"), (30, "a month"), (61, "two months")],
        coerce=int,
        initial=30,
    )


class MoveForm(forms.Form):
    """Place in the routes that a visit moves to."""

    to = forms.CharField(max_length=120, error_messages={"required": "Choose where it goes."})


class AbsenceForm(forms.ModelForm):
    """Who is away, and when."""

    class Meta:
        model = Absence
        fields = ["person", "first_on", "last_on", "note"]
        labels = {"person": "Who"}
        help_texts = {"note": "Everybody who plans sees this: better “away” than the reason."}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["person"].queryset = User.objects.technicians()  # type: ignore[attr-defined]
        self.fields["first_on"] = DayField(label="First day away")
        self.fields["last_on"] = DayField(label="Last day away")
        self.order_fields(["person", "first_on", "last_on", "note"])


class AgreedTimeForm(forms.ModelForm):
    """Time window in which a visit may begin."""

    class Meta:
        model = AgreedTime
        fields = ["on", "earliest", "latest", "note"]
        labels = {"earliest": "Visit may start from", "latest": "and until"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["on"] = DayField(label="Day")
        self.order_fields(["on", "earliest", "latest", "note"])
        for name in ("earliest", "latest"):
            self.fields[name].widget = forms.TimeInput(attrs={"type": "time"}, format="%H:%M")


class WeatherForm(forms.Form):
    """Highest temperature and heat index of each day of a week."""

    def __init__(self, *args: Any, monday: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.dates = [monday + timedelta(days=number) for number in range(7)]
        by_day = {row.on: row for row in DayWeather.objects.filter(on__in=self.dates)}
        for day in self.dates:
            name, noted = f"{day:%a}".lower(), by_day.get(day)
            self.fields[name] = TemperatureInput(
                label=f"{weekday_date(day)}, °{unit_beside(settings.LENGTH_UNIT)}",
                initial=noted.warmest_c if noted else None,
            )
            self.fields[f"{name}_heat"] = forms.DecimalField(
                label=f"{weekday_date(day)}, heat index, °F",
                required=False,
                min_value=60,
                max_value=180,
                decimal_places=1,
                initial=noted.heat_index_f if noted else None,
            )

    def weather(self) -> dict[date, tuple[Decimal | None, Decimal | None]]:
        """Typed temperature and heat index, by day."""
        names = {day: f"{day:%a}".lower() for day in self.dates}
        return {
            day: (self.cleaned_data.get(name), self.cleaned_data.get(f"{name}_heat"))
            for day, name in names.items()
        }


class TermsForm(forms.ModelForm):
    """Work terms of a person: routes, skill, where they set off, and the hours of each weekday."""

    class Meta:
        model = WorkTerms
        fields = ["goes_out", "level", "latitude", "longitude"]
        help_texts = {
            "latitude": "Where routes start and end; leave empty for the company’s place.",
        }

    def __init__(self, *args: Any, days: Sequence[WorkingDay], known: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        by_weekday = {day.weekday: day for day in days}
        for number, name in Weekday.choices:
            day = by_weekday.get(number)
            free = day is None and (bool(days) or known or number not in WORKWEEK)
            self.fields[f"where_{number}"] = forms.ChoiceField(
                label=name,
                choices=[("", "free"), *WorkingDay.Where.choices],
                required=False,
                initial="" if free else day.where if day else WorkingDay.Where.ROAD,
            )
            for which, usual in (("begins", BEGINS), ("ends", ENDS)):
                self.fields[f"{which}_{number}"] = forms.TimeField(
                    label=f"{name}, {'from' if which == 'begins' else 'until'}",
                    required=False,
                    initial=getattr(day, which) if day else usual,
                    widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
                )

    def clean(self) -> dict[str, Any]:
        """Require both times of each working day, in their order."""
        data = super().clean() or {}
        for number, name in Weekday.choices:
            if not data.get(f"where_{number}"):
                continue
            begins, ends = data.get(f"begins_{number}"), data.get(f"ends_{number}")
            if begins is None or ends is None:
                self.add_error(
                    f"begins_{number}", f"Give both times of {name}, or leave both empty for a day off."
                )
            elif begins >= ends:
                self.add_error(f"ends_{number}", f"{name} ends after it begins: check the two times.")
        return data

    def weekdays(self) -> list[tuple[str, Any, Any, Any]]:
        """List the fields of each weekday, for the page."""
        return [
            (name, self[f"where_{number}"], self[f"begins_{number}"], self[f"ends_{number}"])
            for number, name in Weekday.choices
        ]

    def hours(self) -> dict[int, Hours]:
        """Hours of each weekday that has some."""
        data = self.cleaned_data
        return {
            number: Hours(data[f"begins_{number}"], data[f"ends_{number}"], data[f"where_{number}"])
            for number in Weekday.values
            if data[f"where_{number}"]
        }
