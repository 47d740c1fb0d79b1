"""Finishing a visit: what was done becomes work, care moves on, and calls close where they can."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from schedules.models import MaintenanceTask, Visit
from schedules.operations import Wait, finish_visit
from servicedesk.calls.models import Call, Work
from servicedesk.calls.operations import close_call, record_work
from servicedesk.people.models import User
from servicedesk.people.rights import technicians, user_of
from servicedesk.refusals import Refused, attempt, one_step
from units.forms import DayField

DONE = "done"


@dataclass(frozen=True)
class Told:
    """What was said of one task: done and in how many minutes, or why not and until when it waits."""

    done: bool
    minutes: int | None = None
    why_not: str = ""
    wait: Wait | None = None


@dataclass(frozen=True)
class Finished:
    """A visit that is over, the calls it closed, and the ones that stay open with the reason."""

    visit: Visit
    closed: list[Call]
    open_still: list[tuple[Call, str]]


def finish(
    visit: Visit, *, told: Mapping[int, Told], finished_at: datetime, by: User, at: datetime
) -> Finished:
    """End a visit in one step.

    Each care task done is recorded as work with its minutes; each done repair closes its call, unless a
    safety answer is open: then the repair counts as done and the call stays open until it is made safe.
    """
    on = timezone.localdate(finished_at)
    with one_step():
        tasks = {task.pk: task for task in tasks_of(visit)}
        fresh = Visit.objects.select_for_update().get(pk=visit.pk).finished_at is None
        if fresh:
            for key, said in told.items():
                if said.done and key in tasks:
                    _record(tasks[key], minutes=said.minutes, on=on, by=by, at=at)
        visit = finish_visit(
            visit,
            outcomes={key: "" if said.done else said.why_not for key, said in told.items()},
            waits={key: said.wait for key, said in told.items() if said.wait},
            finished_at=finished_at,
            by=by,
            at=at,
        )
        done = [key for key, said in told.items() if said.done]
        # In the same step: a finished visit is not finished again, so a call left open here would stay so.
        return _close_calls(visit, Call.objects.open().filter(task__in=done), by=by, at=at)


def tasks_of(visit: Visit) -> list[MaintenanceTask]:
    """List the tasks of a visit that are still to be told of."""
    tasks = MaintenanceTask.objects.open().filter(visit_tasks__visit=visit)
    return list(tasks.select_related("unit", "fitment__component_type", "call").order_by("unit__code", "pk"))


def _record(task: MaintenanceTask, *, minutes: int | None, on: date, by: User, at: datetime) -> None:
    """Write down a care task as work; repairs are recorded at their call, with findings and parts."""
    if task.origin != MaintenanceTask.Origin.CARE or task.unit is None or not task.work:
        return
    work = Work(
        unit=task.unit,
        fitment=task.fitment,
        task=task,
        kind=task.work,
        done_on=on,
        minutes=minutes,
        payer=Work.Payer.CUSTOMER,
    )
    record_work(work, by=by, at=at)


def _close_calls(visit: Visit, calls: Any, *, by: User, at: datetime) -> Finished:
    closed, open_still = [], []
    for call in calls.select_related("site"):
        try:
            closed.append(close_call(call, by=by, at=at))
        except Refused as refusal:
            open_still.append((call, str(refusal)))
    return Finished(visit, closed, open_still)


class FinishForm(forms.Form):
    """When a visit ended, and how each of its tasks went."""

    ended_at = forms.TimeField(
        label="The visit ended at", widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
    )

    def __init__(self, *args: Any, tasks: list[MaintenanceTask], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tasks = tasks
        reasons = [(code, f"not done: {words}") for code, words in MaintenanceTask.NotDone.choices]
        for task in tasks:
            self.fields[f"task_{task.pk}"] = forms.ChoiceField(
                choices=[(DONE, "done"), *reasons], widget=forms.RadioSelect, label=self._words(task)
            )
            self.fields[f"minutes_{task.pk}"] = forms.IntegerField(
                label="Minutes it took", min_value=0, max_value=1440, required=False, initial=task.minutes
            )
            self.fields[f"until_{task.pk}"] = DayField(
                label="Ask again on",
                required=False,
                help_text="Only where it waits for a part or for the customer.",
            )

    @staticmethod
    def _words(task: MaintenanceTask) -> str:
        return f"Unit {task.unit}: {task.reason}" if task.unit else task.reason

    def groups(self) -> list[tuple[Any, Any, Any]]:
        """The fields of each task together, for the page."""
        return [
            (self[f"task_{task.pk}"], self[f"minutes_{task.pk}"], self[f"until_{task.pk}"])
            for task in self.tasks
        ]

    def told(self) -> dict[int, Told]:
        """Read what was said of each task."""
        return {task.pk: self._told_of(task) for task in self.tasks}

    def _told_of(self, task: MaintenanceTask) -> Told:
        outcome = self.cleaned_data[f"task_{task.pk}"]
        if outcome == DONE:
            return Told(done=True, minutes=self.cleaned_data[f"minutes_{task.pk}"])
        until = self.cleaned_data[f"until_{task.pk}"]
        waits_for = {"part_missing": "part", "declined": "customer", "no_access": "customer"}.get(outcome)
        wait = Wait(waits_for, until) if until and waits_for else None
        return Told(done=False, why_not=outcome, wait=wait)


@technicians
def finish_page(request: HttpRequest, pk: int) -> HttpResponse:
    """Say of each task of a visit whether it was done, or why not."""
    visit = get_object_or_404(Visit.objects.for_list(), pk=pk)
    if visit.finished_at is not None:
        messages.info(request, "This visit is finished.")
        return redirect("schedules:visit", pk)
    now = timezone.localtime()
    form = FinishForm(request.POST or None, tasks=tasks_of(visit), initial={"ended_at": now})

    def keep() -> Finished:
        ended = datetime.combine(timezone.localdate(visit.starts_at), form.cleaned_data["ended_at"])
        return finish(
            visit,
            told=form.told(),
            finished_at=timezone.make_aware(ended),
            by=user_of(request),
            at=timezone.now(),
        )

    if request.method == "POST" and (finished := attempt(form, keep)):
        messages.success(request, "The visit is finished.")
        for call, reason in finished.open_still:
            messages.warning(request, f"The call at {call.site} stays open. {reason}")
        return redirect("schedules:visit", pk)
    context = {"form": form, "visit": visit}
    return render(request, "office/finish_visit.html", context, status=422 if form.errors else 200)
