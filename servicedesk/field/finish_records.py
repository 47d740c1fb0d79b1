"""Finished visits from phones, where the visit may have changed since the phone last saw it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from django.utils import timezone
from django.utils.dateparse import parse_time

from schedules.models import MaintenanceTask, Visit
from servicedesk.accounts.models import User
from servicedesk.calls.forms import FinishForm
from servicedesk.calls.forms.finishing import DONE
from servicedesk.calls.models import Call
from servicedesk.calls.operations import (
    Result,
    close_calls_of,
    complete_done,
    dangers_of,
    finish,
    make_safe_at,
    tasks_of,
)
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.typed import read_key
from servicedesk.core.values.words import count
from servicedesk.field.sent import Made, Sent, visit_of

NAMED = re.compile(r"task_(\d{1,19})", re.ASCII)


@dataclass
class Differences:
    """Differences between the tasks on the phone and those of the visit now."""

    done_apart: list[MaintenanceTask] = field(default_factory=list)
    look_at: list[str] = field(default_factory=list)


def take_finish(sent: Sent, *, by: User) -> Made:
    """Finish a visit from a phone record; what was done is stored, whatever happened meanwhile."""
    visit = visit_of(sent.body)
    if visit is None:
        raise RuleViolation("That visit is not in the schedule any more.")
    if visit.finished_at is not None:
        return Made(
            "the visit was finished already",
            visit,
            site=visit.site,
            look_at=["the visit was finished already, so what this phone says of it changed nothing"],
        )
    named = _named(sent)
    cancelled = visit.state == Visit.State.CANCELLED
    here = [] if cancelled else tasks_of(visit)
    told_of = [task for task in here if task.pk in named]
    form = _form(sent, told_of, visit)
    differences = _differences(visit, named, {task.pk for task in here})
    outcomes = form.results() | _unseen(here, named, differences)
    with atomic_operation():
        open_still = _apply(sent, visit, form, outcomes, differences, cancelled=cancelled, by=by)
    done = sum(said.done for said in outcomes.values())
    words = f"visit at {visit.site.code}: {count(done, 'task')} done, {len(outcomes) - done} not done"
    for call, reason in open_still:
        words += f"; the call about {call.get_symptom_display()} stays open. {reason}"
    return Made(words, visit, site=visit.site, look_at=differences.look_at)


def _apply(
    sent: Sent,
    visit: Visit,
    form: FinishForm,
    outcomes: Mapping[int, Result],
    differences: Differences,
    *,
    cancelled: bool,
    by: User,
) -> list[tuple[Call, str]]:
    """Store what was done, and end the visit if it is still open; return the calls that stay open."""
    at, finished_at = sent.made.received_at, _finished_at(sent, visit)
    made_safe, on = form.made_safe(), timezone.localdate(finished_at)
    if cancelled:
        make_safe_at(visit, made_safe, by=by, at=at)
    apart = complete_done(differences.done_apart, on=on, by=by, at=at)
    open_still = (
        []
        if cancelled
        else finish(
            visit,
            results=outcomes,
            made_safe=made_safe,
            note=form.cleaned_data["note"],
            finished_at=finished_at,
            by=by,
            at=at,
        ).open_still
    )
    return open_still + close_calls_of([task.pk for task in apart], by=by, at=at)[1]


def _named(sent: Sent) -> dict[int, str]:
    """Outcomes from the phone, by the task's key."""
    named = {}
    for name, value in sent.body.items():
        if (match := NAMED.fullmatch(name)) and (key := read_key(match[1])):
            named[key] = str(value)
    return named


def _form(sent: Sent, tasks: list[MaintenanceTask], visit: Visit) -> FinishForm:
    data = {name: "" if value is None else str(value) for name, value in sent.body.items()}
    data["ended_at"] = data.get("ended_at") or f"{timezone.localtime(sent.made.at):%H:%M}"
    form = FinishForm(data, tasks=tasks, dangers=dangers_of(visit), may_stand=True)
    if not form.is_valid():
        raise RuleViolation({name: [str(text) for text in texts] for name, texts in form.errors.items()})
    return form


def _finished_at(sent: Sent, visit: Visit) -> datetime:
    """End of the visit: the time typed, on the visit's day, or else when it was recorded."""
    typed = parse_time(sent.text("ended_at").strip()) if sent.text("ended_at").strip() else None
    if typed is None:
        return sent.made.at
    day = timezone.localdate(visit.starts_at)
    return min(timezone.make_aware(datetime.combine(day, typed)), sent.made.at)


def _differences(visit: Visit, named: Mapping[int, str], here: set[int]) -> Differences:
    """Tasks of the phone record that are not open on the visit any more."""
    differences = Differences()
    tasks = MaintenanceTask.objects.filter(pk__in=set(named) - here, site=visit.site_id)
    for task in tasks.select_related("unit", "installed_part", "next_due").order_by("pk"):
        if named[task.pk] == DONE and task.is_open:
            differences.done_apart.append(task)
            differences.look_at.append(f"“{task.reason}” was not on the visit any more, and counts as done")
        elif named[task.pk] == DONE and task.state == MaintenanceTask.State.CANCELLED:
            differences.look_at.append(
                f"“{task.reason}” was canceled meanwhile, and the phone says it was done"
            )
        elif named[task.pk] != DONE and task.state == MaintenanceTask.State.COMPLETED:
            differences.look_at.append(f"“{task.reason}” is done already, and the phone says it was not")
    return differences


def _unseen(
    here: list[MaintenanceTask], named: Mapping[int, str], differences: Differences
) -> dict[int, Result]:
    """Return tasks that the phone never showed to the unassigned work."""
    unseen = [task for task in here if task.pk not in named]
    for task in unseen:
        differences.look_at.append(f"“{task.reason}” was not on the phone, and went back on the list")
    return {task.pk: Result(done=False, why_not=MaintenanceTask.NotDone.NO_TIME) for task in unseen}
