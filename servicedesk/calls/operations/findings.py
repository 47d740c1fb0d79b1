"""Operations that record and correct findings, each assigned to a part."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.utils import timezone

from schedules.models import Visit
from schedules.operations import tell_schedulers_of_danger
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import count
from units.models import InstalledPart, Unit
from units.operations import locked, save_change

from .calls import note_progress
from .inspections import check_visit, inspection_with_findings
from .safety import dangers_met_by, make_safe


def installed_part_for(unit: Unit, *, kind: str, panel: int | None, on: date) -> InstalledPart | None:
    """Part on which a fault of a kind was found that day; None where it can't be decided.

    The panel's own part comes before the whole unit's. On the day a part was replaced the fault belongs to
    the removed part, as time at risk does: it runs up to and including the last day. Once pieces of this
    panel have left the whole unit's part, that part no longer counts for the panel.
    """
    parts = unit.installed_parts.on(on).filter(kind=kind).order_by("fitted_on", "pk")
    if panel is not None:
        parts = parts.filter(panel__in=[InstalledPart.WHOLE, panel]).exclude(
            partial_removals__panel=panel, partial_removals__left_on__lt=on
        )
    known = list(parts)
    known = [part for part in known if part.fitted_on < on] or known
    if panel is None and len(known) > 1:
        known = [part for part in known if part.panel == InstalledPart.WHOLE]
    return max(known, key=lambda part: part.panel, default=None)


def record_finding(finding: Finding, *, visit: Visit | None, by: User | None, at: datetime) -> Finding:
    """Store a finding on its part, as part of an inspection of the unit.

    What made a danger safe also answers the calls in which that danger was reported.
    """
    with atomic_operation():
        finding.unit = unit = locked(finding.unit)
        check_visit(unit, visit)
        _check(finding, at=at)
        finding.recorded_by = by
        finding.installed_part = installed_part_for(
            unit, kind=finding.mode.kind, panel=finding.panel, on=finding.found_on
        )
        action = f"found: {_words(finding)}"
        met = _dangers_met(finding, visit)
        if finding.call is None and met:
            finding.call = met[0]
        if finding.call is not None:
            note_progress(finding.call, unit=unit, action=f"{action} at unit {unit.code}", by=by, at=at)
        finding.inspection = inspection_with_findings(
            unit, finding.found_on, call=finding.call, visit=visit, by=by
        )
        finding.full_clean()
        finding.save()
        write_change(unit, action=action, by=by, at=at)
        write_change(finding, action="recorded", by=by, at=at)
        if finding.severity == Finding.Severity.DANGER:
            _answer_calls(finding, met, by=by, at=at)
            tell_schedulers_of_danger(
                unit,
                subject_id=finding.pk,
                danger=_words(finding),
                made_safe=finding.made_safe_how,
                by=by,
                at=at,
            )
    return finding


def _dangers_met(finding: Finding, visit: Visit | None) -> list[Call]:
    """Open dangers that a finding answers: what made them safe is recorded on the finding."""
    if finding.severity != Finding.Severity.DANGER:
        return []
    return dangers_met_by(finding.unit, on=finding.found_on, call=finding.call, visit=visit)


def _answer_calls(finding: Finding, calls: Sequence[Call], *, by: User | None, at: datetime) -> None:
    """Record on the calls a finding answers that it says what made the danger safe."""
    for call in calls:
        if call.pk != finding.call_id:
            action = f"found: {_words(finding)} at unit {finding.unit.code}"
            note_progress(call, unit=finding.unit, action=action, by=by, at=at)
        make_safe(call, how=finding.made_safe_how, by=by, at=at)


def change_finding(finding: Finding, *, by: User | None, at: datetime) -> Finding:
    """Correct a finding; its part, and the day of its inspection, follow."""
    with atomic_operation():
        unit = locked(finding.unit)
        _check(finding, at=at)
        finding.installed_part = installed_part_for(
            unit, kind=finding.mode.kind, panel=finding.panel, on=finding.found_on
        )
        _move_inspection(finding, by=by)
        save_change(finding, action="corrected", by=by, at=at)
        write_change(unit, action=f"finding edited: {_words(finding)}", by=by, at=at)
        visit = finding.inspection.visit if finding.inspection else None
        _answer_calls(finding, _dangers_met(finding, visit), by=by, at=at)
    return finding


def _move_inspection(finding: Finding, *, by: User | None) -> None:
    """Move a finding's inspection to the day of the finding; an inspection shared with others stays."""
    inspection = finding.inspection
    if inspection is None or inspection.inspected_on == finding.found_on:
        return
    if inspection.findings.exclude(pk=finding.pk).exists():
        finding.inspection = inspection_with_findings(
            finding.unit, finding.found_on, call=inspection.call, visit=inspection.visit, by=by
        )
        return
    inspection.inspected_on = finding.found_on
    inspection.full_clean()
    inspection.save()


def _check(finding: Finding, *, at: datetime) -> None:
    """Refuse what can't be true of this unit on that day."""
    unit, on = finding.unit, finding.found_on
    if on > timezone.localdate(at):
        raise RuleViolation({"found_on": ["That day is still to come: give the day it was found."]})
    if on < unit.installed_on:
        raise RuleViolation(
            {
                "found_on": [
                    f"Unit {unit.code} was installed on {long_date(unit.installed_on)}: check the date."
                ]
            }
        )
    if unit.removed_on is not None and on > unit.removed_on:
        raise RuleViolation(
            {"found_on": [f"Unit {unit.code} was removed on {long_date(unit.removed_on)}: check the date."]}
        )
    if finding.panel is not None and unit.panels and finding.panel > unit.panels:
        raise RuleViolation(
            {
                "panel": [
                    f"Unit {unit.code} has {count(unit.panels, 'panel')}; there is no panel {finding.panel}."
                ]
            }
        )
    earlier = finding.continues
    if earlier is None:
        return
    if (earlier.unit_id, earlier.mode_id) != (finding.unit_id, finding.mode_id) or earlier.found_on > on:
        raise RuleViolation(
            {"same_as": ["Only an earlier finding of the same fault at this unit can be continued."]}
        )


def _words(finding: Finding) -> str:
    return ", ".join(filter(None, [finding.mode.full_name, finding.where]))
