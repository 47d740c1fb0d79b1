"""Units looked at: "seen, fine" is what makes it known when a part was last good."""

from __future__ import annotations

from datetime import date, datetime

from django.db.models import Q
from django.utils import timezone

from schedules.models import Visit
from servicedesk.calls.models import Call, Inspection
from servicedesk.people.history import write_change
from servicedesk.people.models import User
from servicedesk.refusals import Refused, one_step
from units.models import Site, Unit
from units.operations import locked

from .calls import note_progress

Outcome = Inspection.Outcome


def see_fine(
    unit: Unit, *, call: Call | None, visit: Visit | None, by: User | None, at: datetime
) -> Inspection:
    """Note that a unit was looked at today and found good; said twice, it is one look."""
    with one_step():
        unit = locked(unit)
        check_visit(unit, visit)
        if not unit.in_place:
            raise Refused(f"Unit {unit.code} was removed on {unit.removed_on:%-d %B %Y}.")
        today = timezone.localdate(at)
        if unit.inspections.filter(seen_on=today, outcome=Outcome.FINDINGS).exists():
            raise Refused(
                f"Something was found at unit {unit.code} today, so it does not count as seen and fine."
            )
        look, new = _look(unit, today, call=call, visit=visit, outcome=Outcome.FINE, by=by)
        if new:
            write_change(unit, did="seen, fine", by=by, at=at)
            if call is not None:
                note_progress(call, unit=unit, did=f"unit {unit.code} seen, fine", by=by, at=at)
    return look


def see_all_fine(
    site: Site, *, call: Call | None, visit: Visit | None, by: User | None, at: datetime
) -> list[Inspection]:
    """Note that all units of a site were looked at today; those with something found today are left out."""
    today = timezone.localdate(at)
    with one_step():
        bad = Inspection.objects.filter(seen_on=today, outcome=Outcome.FINDINGS).values("unit")
        units = site.units.in_place().exclude(pk__in=bad).order_by("code")
        return [see_fine(unit, call=call, visit=visit, by=by, at=at) for unit in units]


def look_with_findings(
    unit: Unit, on: date, *, call: Call | None, visit: Visit | None, by: User | None
) -> Inspection:
    """Give the look at a unit that a finding belongs to: one a day for each call or visit.

    A "seen, fine" of the same look becomes "with findings": the later word counts.
    """
    look, _ = _look(unit, on, call=call, visit=visit, outcome=Outcome.FINDINGS, by=by)
    if look.outcome != Outcome.FINDINGS:
        look.outcome = Outcome.FINDINGS
        look.full_clean()
        look.save()
    return look


def check_visit(unit: Unit, visit: Visit | None) -> None:
    """Refuse a visit to another site."""
    if visit is not None and visit.site_id != unit.site_id:
        raise Refused(f"That visit goes to another site than unit {unit.code}.")


def _look(
    unit: Unit,
    on: date,
    *,
    call: Call | None,
    visit: Visit | None,
    outcome: Inspection.Outcome,
    by: User | None,
) -> tuple[Inspection, bool]:
    """Find the look of this day under this call and visit, or make it."""
    same = unit.inspections.filter(
        Q(call=call) if call else Q(call__isnull=True),
        Q(visit=visit) if visit else Q(visit__isnull=True),
        seen_on=on,
        batch__isnull=True,
    )
    if found := same.order_by("pk").first():
        return found, False
    look = Inspection(unit=unit, seen_on=on, outcome=outcome, call=call, visit=visit, seen_by=by)
    look.full_clean()
    look.save()
    return look, True
