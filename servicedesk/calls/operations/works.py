"""Operation that records work done."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from django.utils import timezone

from schedules.models import MaintenanceRule
from schedules.models.maintenance import WorkKind
from schedules.operations import note_maintenance_done
from servicedesk.accounts.models import User
from servicedesk.calls.models import Work
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from units.fitting import change_panel_share, replace_set
from units.models import ComponentType, Construction, InstalledPart, Unit
from units.operations import locked

from .calls import note_progress

NOT_ON_LINERS = (
    "This unit runs in liners. They are wiped with mild soap and water; silicone only if the maker of the "
    "liner says so. Check the box if it does, or record what was done as cleaned."
)

# Fields of a work form on which errors about the dates of an installed part are shown.
DATES = {"on": "done_on", "removed_on": "done_on", "fitted_on": "done_on"}


@dataclass(frozen=True)
class Swap:
    """Parts replaced as a set: all pieces of the slot, or with ``panel`` that panel's share of them."""

    component_type: ComponentType
    lot: str = ""
    panel: int | None = None


class RecordedWork(NamedTuple):
    """Stored work, and how many next due dates it moved."""

    work: Work
    maintenance_moved: int


def silicone_in_doubt(unit: Unit, installed_part: InstalledPart | None) -> bool:
    """Return whether lubricating here needs the maker's approval: liners are not to be oiled.

    A part whose type has a lubricating maintenance rule in force has the company's approval already.
    """
    ruled = MaintenanceRule.objects.active().filter(work=WorkKind.LUBRICATED)
    if installed_part is not None and ruled.filter(component_type=installed_part.component_type_id).exists():
        return False
    built = unit.construction
    if built is not None and built.panel_order != Construction.PanelOrder.STEPPED:
        return True
    tracks = unit.installed_parts.in_place().filter(kind="track")
    return tracks.filter(component_type__name__icontains="liner").exists()


def record_work(
    work: Work, *, swap: Swap | None = None, maker_allows: bool = False, by: User | None, at: datetime
) -> RecordedWork:
    """Store work done on a unit or one of its parts.

    A piece replaced by one like it is work only: the part stays in place. With ``swap`` the old part ends
    that day and a new one begins. Work that a maintenance rule asks for counts as that maintenance.
    """
    with atomic_operation():
        unit = locked(work.unit)
        _check(work, at=at)
        if (
            work.kind == WorkKind.LUBRICATED
            and not maker_allows
            and silicone_in_doubt(unit, work.installed_part)
        ):
            raise RuleViolation({"maker_allows": [NOT_ON_LINERS]})
        work.done_by = by
        if work.call is not None and work.task is None:
            work.task = work.call.task
        work.whole_set = swap is not None and swap.panel is None
        if swap is not None:
            _change_parts(work, swap, by=by, at=at)
        work.full_clean()
        work.save()
        action = _words(work)
        write_change(unit, action=action, by=by, at=at)
        if work.call is not None:
            note_progress(work.call, unit=unit, action=f"{action} at unit {unit.code}", by=by, at=at)
        moved = 0
        if swap is None:
            moved = note_maintenance_done(
                unit, work=work.kind, on=work.done_on, installed_part=work.installed_part, by=by, at=at
            )
    return RecordedWork(work, moved)


def _change_parts(work: Work, swap: Swap, *, by: User | None, at: datetime) -> None:
    """Remove the old parts and install the new ones in the register."""
    if work.kind != WorkKind.REPLACED or work.installed_part is None:
        raise RuleViolation({"installed_part": ["Say which part was replaced."]})
    try:
        if swap.panel is None:
            replace_set(
                work.installed_part,
                component_type=swap.component_type,
                on=work.done_on,
                lot=swap.lot,
                pieces=work.pieces or None,
                by=by,
                at=at,
            )
        else:
            change_panel_share(
                work.installed_part,
                panel=swap.panel,
                component_type=swap.component_type,
                on=work.done_on,
                lot=swap.lot,
                pieces=work.pieces or None,
                by=by,
                at=at,
            )
    except RuleViolation as refusal:
        raise RuleViolation(
            {DATES.get(name, name): texts for name, texts in refusal.reasons.items()}
        ) from refusal


def _check(work: Work, *, at: datetime) -> None:
    """Refuse what can't be true of this unit and part on that day."""
    unit, on, part = work.unit, work.done_on, work.installed_part
    if on > timezone.localdate(at):
        raise RuleViolation({"done_on": ["That day is still to come: give the day on which it was done."]})
    if on < unit.installed_on or (unit.removed_on is not None and on > unit.removed_on):
        raise RuleViolation({"done_on": [f"Unit {unit.code} was not in place on that day: check the date."]})
    if part is not None:
        if part.unit_id != unit.pk:
            raise RuleViolation({"installed_part": ["That part is in another unit."]})
        if on < part.fitted_on or (part.removed_on is not None and on > part.removed_on):
            raise RuleViolation({"done_on": ["The part was not in place on that day: check the date."]})
    if work.finding is not None and work.finding.unit_id != unit.pk:
        raise RuleViolation({"finding": ["That finding is about another unit."]})


def _words(work: Work) -> str:
    on_what = str(work.installed_part) if work.installed_part else "the whole unit"
    if work.kind != WorkKind.REPLACED:
        return f"{work.get_kind_display()}: {on_what}"
    pieces = "the whole set" if work.whole_set else f"{work.pieces} piece{'s' if work.pieces > 1 else ''}"
    return f"replaced {pieces}: {on_what}"
