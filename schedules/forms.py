"""Forms of maintenance rules, tasks, visits and calendars."""

from __future__ import annotations

from calendar import month_name
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import Any

from django import forms
from django.conf import settings
from django.db.models import Q
from django.utils import timezone

from schedules.local_times import moment_of
from schedules.maintenance.reference import MAINTENANCE_WORK
from schedules.models import MaintenanceRule, MaintenanceTask, NextDue, Visit
from schedules.operations.times import ALL_THE_SAME
from schedules.operations.visits import usual_minutes
from schedules.words import maintenance_reason, span
from servicedesk.accounts.models import User
from servicedesk.core.idempotency import IdempotencyKeyForm
from servicedesk.core.rules.new_values import LimitedTextInput
from servicedesk.core.values.dates import short_date
from servicedesk.core.values.searching import ScrapField
from servicedesk.core.values.typed import read_key
from units.fields import TemperatureInput
from units.forms import DayField
from units.models import ComponentType, Site

SOON = timedelta(days=61)
"""How far ahead next dues are offered for a visit."""

HORIZONS = {"": timedelta(0), "2w": timedelta(days=14), "2m": SOON}


class DueWorkForm(forms.Form):
    """Filter of the list of due work."""

    q = ScrapField(label="Address, postcode, name or unit")
    horizon = forms.ChoiceField(
        choices=[("", "by today"), ("2w", "in two weeks"), ("2m", "in two months")],
        required=False,
        label="Due",
    )
    origin = forms.ChoiceField(
        choices=[("", "anything"), *MaintenanceTask.Origin.choices], required=False, label="Reason"
    )


class WaitForm(forms.Form):
    """Whom a task waits for, and until when."""

    waiting_for = forms.ChoiceField(
        choices=[(value, label) for value, label in MaintenanceTask.WaitingFor.choices if value],
        label="Waiting for",
    )
    until = DayField(label="Follow up on")


class WhyForm(forms.Form):
    """Reason for a cancellation."""

    why = forms.CharField(max_length=160, label="Why")


class DoneForm(forms.Form):
    """Day on which a task was done."""

    on = DayField(label="Done on")


class MaintenanceRuleForm(forms.ModelForm):
    """Maintenance rule of a component type: what to do, how often, and in which season."""

    why = forms.CharField(
        max_length=120, required=False, label="Why it changes", help_text="Stays in the history of the rule."
    )

    not_below_c = TemperatureInput(
        label="Not on days colder than",
        help_text="For vinyl, which cracks when bent cold. Counts on days with a forecast in the schedule.",
    )

    class Meta:
        model = MaintenanceRule
        fields = [
            "name",
            "work",
            "interval_months",
            "exposed_to",
            "exposed_months",
            "season_from_day",
            "season_from_month",
            "season_until_day",
            "season_until_month",
            "minutes",
            "persons",
            "level",
            "not_below_c",
            "material",
            "material_each",
            "note",
            "source",
            "active",
        ]
        labels = {
            "season_from_day": "From: day",
            "season_from_month": "From: month",
            "season_until_day": "Until: day",
            "season_until_month": "Until: month",
            "persons": "People it takes",
        }
        help_texts = {
            "name": "Begin with a verb, such as lubricate the track.",
            "work": "Work of this kind on such a part, recorded on a call too, counts as this maintenance.",
            "interval_months": "Counted from the day it was last done, or from fitting.",
            "note": "What the technician reads on site, with what to watch for.",
            "active": "Without this no new work is raised; open work of the rule is canceled.",
        }
        widgets = {"note": forms.Textarea(attrs={"rows": 4})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        months = [("", "none"), *((number, name) for number, name in enumerate(month_name) if number)]
        for name in ("season_from_month", "season_until_month"):
            label = self.fields[name].label
            self.fields[name] = forms.TypedChoiceField(
                choices=months, coerce=int, empty_value=None, required=False, label=label
            )
        self.fields["work"].choices = [(kind.value, kind.label) for kind in MAINTENANCE_WORK]  # type: ignore[attr-defined]
        self.fields["persons"].widget = forms.Select(choices=[(1, "one"), (2, "two")])


class NewMaintenanceRuleForm(IdempotencyKeyForm, MaintenanceRuleForm):
    """New maintenance rule for a component type."""

    why = None  # type: ignore[assignment]  # a new rule needs no reason
    field_order = ["component_type"]

    class Meta(MaintenanceRuleForm.Meta):
        fields = ["component_type", *MaintenanceRuleForm.Meta.fields]
        labels = {**MaintenanceRuleForm.Meta.labels, "component_type": "Type of part"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["component_type"].queryset = ComponentType.objects.offered()  # type: ignore[attr-defined]


class CareByForm(forms.Form):
    """Who does the maintenance at the ticked sites."""

    sites = forms.ModelMultipleChoiceField(
        queryset=Site.objects.all(), error_messages={"required": "Check at least one site."}
    )
    care_by = forms.ChoiceField(choices=Site.CareBy.choices, label="Maintenance from now on")


@dataclass(frozen=True)
class Offer:
    """A task or next due that the form of a visit offers."""

    field: str
    value: int
    ticked: bool
    unit: str
    reason: str
    due_on: date
    minutes: int
    persons: int
    waits: str = ""
    makes_safe: bool = False


class VisitForm(forms.Form):
    """Time, technicians and tasks of a visit."""

    tasks = forms.ModelMultipleChoiceField(
        queryset=MaintenanceTask.objects.none(), required=False, label="What is done"
    )
    coming = forms.ModelMultipleChoiceField(
        queryset=NextDue.objects.none(), required=False, label="Maintenance that comes due soon"
    )
    day = DayField(label="Day")
    time = forms.TimeField(widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"), label="Starts at")
    minutes = forms.IntegerField(
        required=False, min_value=1, label="Minutes", help_text="Leave empty for what the checked tasks take."
    )
    technicians = forms.ModelMultipleChoiceField(
        queryset=User.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        label="Who goes",
        help_text="One or two people. A proposal can wait for this; a confirmed visit can’t.",
    )
    note = LimitedTextInput(
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="For the technicians. Not sent to calendars.",
    )
    all_the_same = forms.BooleanField(required=False, label=ALL_THE_SAME)

    def __init__(self, *args: Any, site: Site, visit: Visit | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.site, self.visit = site, visit
        # Anything of the site is a valid choice here: what has been planned, done or cancelled meanwhile is
        # refused by the operation, which says what became of it.
        self.fields["tasks"].queryset = MaintenanceTask.objects.filter(site=site)  # type: ignore[attr-defined]
        dues = NextDue.objects.filter(installed_part__unit__site=site).select_related("rule")
        self.fields["coming"].queryset = dues  # type: ignore[attr-defined]
        people = Q(pk__in=visit.technicians.all()) if visit else Q()
        working = User.objects.technicians()
        self.fields["technicians"].queryset = (  # type: ignore[attr-defined]
            User.objects.filter(Q(pk__in=working) | people).order_by("name", "pk") if visit else working
        )

    def clean(self) -> dict[str, Any]:
        """Combine day and time into ``starts_at``, an aware moment."""
        data = super().clean() or {}
        if data.get("day") and data.get("time"):
            try:
                data["starts_at"] = moment_of(data["day"], data["time"], zone=settings.TIME_ZONE)
            except ValueError as error:
                self.add_error("time", str(error))
        return data

    def offered_tasks(self) -> list[Offer]:
        """List the open tasks of the site that are on no visit, or on this one."""
        on_visit = Q(visit_tasks__visit=self.visit) if self.visit else Q()
        free = Q(state=MaintenanceTask.State.NEEDS_ACTION)
        tasks = MaintenanceTask.objects.for_site(self.site.pk).filter(free | on_visit if on_visit else free)
        ticked = self._ticked("tasks")
        return [
            Offer(
                field="tasks",
                value=task.pk,
                ticked=self._is_ticked(task, ticked),
                unit=task.unit.code if task.unit else "",
                reason=task.reason,
                due_on=task.due_on,
                minutes=task.minutes,
                persons=task.persons,
                waits=_waits(task),
                makes_safe=task.makes_safe,
            )
            for task in tasks.order_by("unit__code", "priority", "due_on", "pk").distinct()
        ]

    def offered_maintenance(self) -> list[Offer]:
        """List the next dues of the site that fall due soon and have no task yet."""
        ticked = self._ticked("coming") or set()
        dues = NextDue.objects.coming(self.site.pk, until=timezone.localdate() + SOON)
        return [
            Offer(
                field="coming",
                value=due.pk,
                ticked=due.pk in ticked,
                unit=due.installed_part.unit.code,
                reason=maintenance_reason(
                    due.rule.name, panel=due.installed_part.panel, last_done_on=due.last_done_on
                ),
                due_on=due.next_due_on,
                minutes=due.rule.minutes,
                persons=due.rule.persons,
            )
            for due in dues
        ]

    def usual_span(self) -> str:
        """Usual duration of the initially ticked tasks, in words."""
        tasks = list(MaintenanceTask.objects.for_site(self.site.pk).unplanned())
        return span(usual_minutes([task for task in tasks if self._is_ticked(task, None)]))

    def _ticked(self, name: str) -> set[int] | None:
        """Keys ticked on a submitted form; None for a form shown for the first time."""
        if not self.is_bound:
            return None
        sent = self[name].value() or []
        return {key for value in sent if (key := read_key(value)) is not None}

    def _is_ticked(self, task: MaintenanceTask, ticked: set[int] | None) -> bool:
        """Whether a task is ticked: as submitted; at first those of this visit, or due ones and calls."""
        if ticked is not None:
            return task.pk in ticked
        if self.visit is not None:
            return task.state == MaintenanceTask.State.IN_PROCESS
        today = timezone.localdate()
        waits = task.waiting_until is not None and task.waiting_until > today
        return not waits and (task.due_on <= today or task.origin == MaintenanceTask.Origin.CALL)


class PlanForm(IdempotencyKeyForm, VisitForm):
    """New visit, proposed or recorded after it has taken place."""

    already_over = forms.BooleanField(required=False, label="It already took place")


class LinkForm(forms.Form):
    """Whose calendar a link opens."""

    whose = forms.ChoiceField(label="Whose visits")

    def __init__(self, *args: Any, people: Sequence[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.people = {str(person.pk): person for person in people}
        names = [(key, person.name) for key, person in self.people.items()]
        self.fields["whose"].choices = [("team", "the whole team"), *names]  # type: ignore[attr-defined]

    def person(self) -> User | None:
        """Chosen person; None for the team."""
        return self.people.get(self.cleaned_data["whose"])


class ExportForm(forms.Form):
    """Filter of the visits of a calendar file."""

    who = forms.CharField(max_length=40, required=False)
    until = DayField(required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["from"] = DayField(required=False)  # a word that Python keeps for itself


class WeekForm(forms.Form):
    """Which week of whose visits."""

    week = DayField(label="Week of", required=False)
    who = forms.ChoiceField(label="Whose", required=False)

    def __init__(self, *args: Any, people: Sequence[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        others = [(str(person.pk), person.name) for person in people]
        self.fields["who"].choices = [  # type: ignore[attr-defined]
            ("me", "mine"),
            ("team", "everyone’s"),
            *others,
        ]


def by_unit(offers: list[Offer]) -> list[tuple[str, list[Offer]]]:
    """Group offers by unit, in their order."""
    return [(unit, list(group)) for unit, group in groupby(offers, key=lambda offer: offer.unit)]


def _waits(task: MaintenanceTask) -> str:
    if not task.waiting_for or task.waiting_until is None:
        return ""
    return f"on hold for {task.get_waiting_for_display()} until {short_date(task.waiting_until)}"
