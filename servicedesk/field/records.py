"""Phone records at a unit: findings, inspections, work and maintenance, by the pages' operations."""

from __future__ import annotations

from django.db import transaction

from schedules.models import MaintenanceTask
from schedules.models.maintenance import WorkKind
from servicedesk.accounts.models import User
from servicedesk.calls.forms import FindingForm, WorkForm
from servicedesk.calls.models import Finding, Inspection, Work
from servicedesk.calls.operations import (
    complete_done,
    record_finding,
    record_no_fault,
    record_no_faults,
    record_work,
)
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.typed import read_day, read_key
from servicedesk.core.values.words import count
from servicedesk.field.sent import Body, Made, Sent, call_of, number_of, unit_of, visit_of
from units.models import Site, Unit

FINDING_FIELDS = ("mode", "panel", "corner", "severity", "made_safe_how", "same_as", "note")
WORK_FIELDS = (
    *("installed_part", "finding", "extent", "component_type", "lot", "panel", "minutes", "pieces", "note"),
    "payer",
)


def take_finding(sent: Sent, *, by: User) -> Made:
    """Store a finding, and the work done about it."""
    unit, visit, call = unit_of(sent.body), visit_of(sent.body), call_of(sent.body)
    form = finding_form(sent, unit, called=call is not None, on_visit=visit is not None)
    form.instance.call = call
    if not form.is_valid():
        raise RuleViolation({name: [str(text) for text in texts] for name, texts in form.errors.items()})
    form.ask_whether_repeat()
    at = sent.made.received_at
    with transaction.atomic():
        finding = record_finding(form.instance, visit=visit, by=by, at=at)
        for kind in _works(sent.body):
            work = Work(
                unit=unit,
                installed_part=finding.installed_part,
                finding=finding,
                call=call,
                kind=str(kind),
                pieces=(read_key(sent.body.get("pieces")) or 1) if kind == WorkKind.REPLACED else 0,
                done_on=finding.found_on,
            )
            record_work(work, by=by, at=at)
    return Made(f"{finding.mode.name} at unit {unit.code}", visit, unit, finding)


def finding_form(sent: Sent, unit: Unit, *, called: bool = False, on_visit: bool = False) -> FindingForm:
    """Form of a finding, filled from a phone record."""
    data = {name: sent.text(name) for name in FINDING_FIELDS} | {"found_on": sent.day("found_on")}
    data["is_failure"] = "False" if sent.body.get("is_failure") is False else "True"
    data |= {"idempotency_key": str(sent.key), "detected": "called" if called else "care" if on_visit else ""}
    if day := read_day(data["found_on"]):
        data["last_good_on"] = str(Inspection.objects.last_good(unit, day) or "")
    return FindingForm(data, instance=Finding(unit=unit))


def take_no_fault(sent: Sent, *, by: User) -> Made:
    """Store an inspection with no fault found, of a unit or a whole site, on the day it was recorded."""
    visit, call = visit_of(sent.body), call_of(sent.body)
    on, at = read_day(sent.day("inspected_on")), sent.made.received_at
    if sent.body.get("site"):
        site = Site.objects.filter(pk=number_of(sent.body, "site")).first()
        if site is None:
            raise RuleViolation("That site is not here any more.")
        seen = record_no_faults(site, on=on, call=call, visit=visit, by=by, at=at)
        return Made(f"{count(len(seen), 'unit')} inspected, no faults", visit, site=site)
    unit = unit_of(sent.body)
    record_no_fault(unit, on=on, call=call, visit=visit, by=by, at=at)
    return Made(f"unit {unit.code} inspected, no faults", visit, unit)


def take_work(sent: Sent, *, by: User) -> Made:
    """Store work done on a unit or one of its parts, with what was replaced by what."""
    unit, visit, call = unit_of(sent.body), visit_of(sent.body), call_of(sent.body)
    data = {name: sent.text(name) for name in WORK_FIELDS}
    data |= {"kind": sent.text("work"), "done_on": sent.day("done_on"), "idempotency_key": str(sent.key)}
    data["payer"] = data["payer"] or Work.Payer.UNDECIDED
    if sent.body.get("maker_allows") in (True, "yes"):
        data["maker_allows"] = "on"
    form = WorkForm(data, instance=Work(unit=unit, call=call))
    if not form.is_valid():
        raise RuleViolation({name: [str(text) for text in texts] for name, texts in form.errors.items()})
    record_work(
        form.instance,
        swap=form.swap,
        maker_allows=form.cleaned_data["maker_allows"],
        by=by,
        at=sent.made.received_at,
    )
    return Made(f"{form.instance.get_kind_display()} at unit {unit.code}", visit, unit)


def take_maintenance(sent: Sent, *, by: User) -> Made:
    """Complete the tasks of a unit that were done; a done task counts once, whoever else did it too."""
    unit, visit = unit_of(sent.body), visit_of(sent.body)
    keys = sent.body.get("tasks")
    if not isinstance(keys, list) or not keys:
        raise RuleViolation({"tasks": ["This record does not say which tasks were done."]})
    tasks = MaintenanceTask.objects.filter(pk__in=[key for key in map(read_key, keys) if key], unit=unit)
    tasks = tasks.select_related("unit", "installed_part", "next_due").order_by("pk")
    if len(tasks) < len(set(map(str, keys))):
        raise RuleViolation({"tasks": ["One of these tasks is not of this unit."]})
    gone = [task for task in tasks if task.state == MaintenanceTask.State.CANCELLED]
    done = complete_done(tasks, on=sent.made.on, by=by, at=sent.made.received_at)
    words = f"{count(len(done), 'task')} done at unit {unit.code}"
    if already := len(tasks) - len(done) - len(gone):
        words += f", {already} done already"
    look_at = [f"“{task.reason}” was canceled meanwhile, and the phone says it was done" for task in gone]
    return Made(words, visit, unit, look_at=look_at)


def _works(body: Body) -> list[str]:
    """Kinds of work done about a finding."""
    works = body.get("works") or []
    if not isinstance(works, list):
        raise RuleViolation("This record does not say which works were done.")
    return [str(work) for work in works]
