"""Operations that record inspections: "no fault found" bounds when a later failure can have begun."""

from __future__ import annotations

from datetime import date, datetime

from django.db.models import Q
from django.utils import timezone

from schedules.models import Visit
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Inspection
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import long_date
from units.models import Site, Unit
from units.operations import locked

from .calls import note_progress

Outcome = Inspection.Outcome


def record_no_fault(
    unit: Unit,
    *,
    on: date | None = None,
    call: Call | None,
    visit: Visit | None,
    by: User | None,
    at: datetime,
) -> Inspection:
    """Record an inspection without a fault on a day (today, if none is given).

    Recorded twice, it is one inspection.
    """
    with atomic_operation():
        unit = locked(unit)
        check_visit(unit, visit)
        on = _checked_day(unit, on, at=at)
        if unit.inspections.filter(inspected_on=on, outcome=Outcome.FINDINGS).exists():
            raise RuleViolation(
                f"Something was found at unit {unit.code} {_on_day(on, at=at)}, so it can’t be "
                "recorded as inspected with no faults."
            )
        inspection, new = _inspection(unit, on, call=call, visit=visit, outcome=Outcome.NO_FAULT_FOUND, by=by)
        if new:
            write_change(unit, action=f"inspected, no faults{_dated(on, at=at)}", by=by, at=at)
            if call is not None:
                action = f"unit {unit.code} inspected, no faults{_dated(on, at=at)}"
                note_progress(call, unit=unit, action=action, by=by, at=at)
    return inspection


def record_no_faults(
    site: Site,
    *,
    on: date | None = None,
    call: Call | None,
    visit: Visit | None,
    by: User | None,
    at: datetime,
) -> list[Inspection]:
    """Record an inspection of all units of a site on a day; units with a finding are left out."""
    on = on or timezone.localdate(at)
    with atomic_operation():
        bad = Inspection.objects.filter(inspected_on=on, outcome=Outcome.FINDINGS).values("unit")
        units = site.units.in_place_on(on).exclude(pk__in=bad).order_by("code")
        return [record_no_fault(unit, on=on, call=call, visit=visit, by=by, at=at) for unit in units]


def _checked_day(unit: Unit, on: date | None, *, at: datetime) -> date:
    """Refuse a day on which nobody can have inspected a unit."""
    today = timezone.localdate(at)
    on = on or today
    if on > today:
        raise RuleViolation({"inspected_on": ["That day is still to come: give the day it was inspected."]})
    if on < unit.installed_on:
        installed = f"Unit {unit.code} was installed on {long_date(unit.installed_on)}: check the date."
        raise RuleViolation({"inspected_on": [installed]})
    if unit.removed_on is not None and on >= unit.removed_on:
        raise RuleViolation(
            {"inspected_on": [f"Unit {unit.code} was removed on {long_date(unit.removed_on)}."]}
        )
    return on


def _dated(on: date, *, at: datetime) -> str:
    """Name of a day in the history, where it is not the day of the entry."""
    return "" if on == timezone.localdate(at) else f" on {long_date(on)}"


def _on_day(on: date, *, at: datetime) -> str:
    return _dated(on, at=at).strip() or "today"


def inspection_with_findings(
    unit: Unit, on: date, *, call: Call | None, visit: Visit | None, by: User | None
) -> Inspection:
    """Inspection that a finding belongs to: one a day for each call or visit.

    "No fault found" of the same inspection becomes "with findings": the later record counts.
    """
    inspection, _ = _inspection(unit, on, call=call, visit=visit, outcome=Outcome.FINDINGS, by=by)
    if inspection.outcome != Outcome.FINDINGS:
        inspection.outcome = Outcome.FINDINGS
        inspection.full_clean()
        inspection.save()
    return inspection


def check_visit(unit: Unit, visit: Visit | None) -> None:
    """Refuse a visit to another site."""
    if visit is not None and visit.site_id != unit.site_id:
        raise RuleViolation(f"That visit goes to another site than unit {unit.code}.")


def _inspection(
    unit: Unit,
    on: date,
    *,
    call: Call | None,
    visit: Visit | None,
    outcome: Inspection.Outcome,
    by: User | None,
) -> tuple[Inspection, bool]:
    """Get or create the inspection of this day under this call and visit."""
    same = unit.inspections.filter(
        Q(call=call) if call else Q(call__isnull=True),
        Q(visit=visit) if visit else Q(visit__isnull=True),
        inspected_on=on,
        batch__isnull=True,
    )
    if existing := same.order_by("pk").first():
        return existing, False
    inspection = Inspection(
        unit=unit, inspected_on=on, outcome=outcome, call=call, visit=visit, inspected_by=by
    )
    inspection.full_clean()
    inspection.save()
    return inspection, True
