"""Form that finishes a visit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django import forms
from django.utils import timezone

from schedules.models import MaintenanceTask
from schedules.operations import Wait
from servicedesk.calls.models import Call
from servicedesk.calls.operations.finishing import Result
from units.forms import DayField

DONE = "done"
PART_COMES_IN = timedelta(days=14)
"""How long a task waits for a part that was named without a day."""
SAY_WHAT_MADE_IT_SAFE = (
    "A danger was reported here. Say what made it safe, or choose below why the repair was not done."
)
WAITS_FOR = {"part_missing": "part", "declined": "customer", "no_access": "customer"}


@dataclass(frozen=True)
class TaskFields:
    """Fields of one task, for a page."""

    task: MaintenanceTask
    outcome: forms.BoundField
    minutes: forms.BoundField
    until: forms.BoundField
    part: forms.BoundField
    pieces: forms.BoundField


class FinishForm(forms.Form):
    """Form of a finished visit: when it ended, the outcome of each task, and what was made safe."""

    ended_at = forms.TimeField(
        label="The visit ended at", widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
    )
    note = forms.CharField(
        label="Note", max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(
        self,
        *args: Any,
        tasks: list[MaintenanceTask],
        dangers: list[Call],
        may_stand: bool = False,
        **kwargs: Any,
    ) -> None:
        """Build the fields of tasks, and of calls with an open danger; ``may_stand`` lets it stay open."""
        super().__init__(*args, **kwargs)
        self.tasks, self.dangers, self.may_stand = tasks, dangers, may_stand
        reasons = [(code, f"not done: {words}") for code, words in MaintenanceTask.NotDone.choices]
        for task in tasks:
            self._add_fields_of(task, [(DONE, "done"), *reasons])
        for danger in dangers:
            self.fields[f"safe_{danger.pk}"] = forms.CharField(
                label="What made it safe",
                max_length=240,
                required=False,
                help_text="Such as “panel taken down and tagged”. If left empty, the danger stays open.",
            )

    def _add_fields_of(self, task: MaintenanceTask, outcomes: list[tuple[str, str]]) -> None:
        self.fields[f"task_{task.pk}"] = forms.ChoiceField(
            choices=outcomes, widget=forms.RadioSelect, label=self._words(task)
        )
        self.fields[f"minutes_{task.pk}"] = forms.IntegerField(
            label="Minutes it took", min_value=0, max_value=1440, required=False, initial=task.minutes
        )
        self.fields[f"until_{task.pk}"] = DayField(
            label="Follow up on",
            required=False,
            help_text="Only where it waits for a part or for the customer.",
        )
        self.fields[f"part_{task.pk}"] = forms.CharField(
            label="Which part is missing", max_length=120, required=False
        )
        self.fields[f"pieces_{task.pk}"] = forms.IntegerField(
            label="How many pieces", min_value=1, max_value=999, required=False
        )

    @staticmethod
    def _words(task: MaintenanceTask) -> str:
        return f"Unit {task.unit}: {task.reason}" if task.unit else task.reason

    def groups(self) -> list[TaskFields]:
        """Fields of each task, for the page."""
        return [
            TaskFields(
                task, *(self[f"{name}_{task.pk}"] for name in ("task", "minutes", "until", "part", "pieces"))
            )
            for task in self.tasks
        ]

    def safety(self) -> list[tuple[Call, forms.BoundField]]:
        """Calls with an open danger, each with the field for what made it safe."""
        return [(danger, self[f"safe_{danger.pk}"]) for danger in self.dangers]

    def clean(self) -> dict[str, Any]:
        """Require what made a place safe whose repair is done, and which part a waiting task needs."""
        data = super().clean() or self.cleaned_data
        for call in [] if self.may_stand else self.dangers:
            if data.get(f"task_{call.task_id}") == DONE and not data.get(f"safe_{call.pk}"):
                self.add_error(f"safe_{call.pk}", SAY_WHAT_MADE_IT_SAFE)
        for task in self.tasks:
            pieces, part = data.get(f"pieces_{task.pk}"), data.get(f"part_{task.pk}")
            if data.get(f"task_{task.pk}") == "part_missing" and pieces and not part:
                self.add_error(f"part_{task.pk}", "Say which part is missing.")
        return data

    def results(self) -> dict[int, Result]:
        """Result of each task."""
        return {task.pk: self._told_of(task) for task in self.tasks}

    def made_safe(self) -> dict[int, str]:
        """What made each danger safe, by call."""
        return {danger.pk: self.cleaned_data[f"safe_{danger.pk}"] for danger in self.dangers}

    def _told_of(self, task: MaintenanceTask) -> Result:
        outcome = self.cleaned_data[f"task_{task.pk}"]
        if outcome == DONE:
            return Result(done=True, minutes=self.cleaned_data[f"minutes_{task.pk}"])
        needs = self._needs_of(task) if outcome == "part_missing" else ""
        until: date | None = self.cleaned_data[f"until_{task.pk}"]
        if needs and until is None:
            until = timezone.localdate() + PART_COMES_IN
        waits_for = WAITS_FOR.get(outcome)
        wait = Wait(waits_for, until) if until and waits_for else None
        return Result(done=False, why_not=outcome, wait=wait, needs=needs)

    def _needs_of(self, task: MaintenanceTask) -> str:
        part, pieces = self.cleaned_data[f"part_{task.pk}"], self.cleaned_data[f"pieces_{task.pk}"]
        return f"{pieces} × {part}" if part and pieces else part
