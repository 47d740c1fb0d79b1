"""Operations on installed parts. History stays: a change ends one part and opens another."""

from __future__ import annotations

from datetime import date, datetime

from servicedesk.accounts.models import User
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import count
from units.models import ComponentType, InstalledPart, PartialRemoval, Unit
from units.operations import locked, refuse_day_to_come


def _stored(installed_part: InstalledPart) -> InstalledPart:
    installed_part.full_clean()
    installed_part.save()
    return installed_part


def _note(unit: Unit, action: str, *, by: User | None, at: datetime) -> None:
    write_change(unit, action=action, by=by, at=at)
    enqueue_on_commit("schedules.plan_next_dues")


def _check_panel(unit: Unit, panel: int) -> None:
    if panel and unit.panels and panel > unit.panels:
        raise RuleViolation(
            {"panel": [f"Unit {unit.code} has {count(unit.panels, 'panel')}; there is no panel {panel}."]}
        )


def fit_part(
    unit: Unit,
    *,
    component_type: ComponentType,
    panel: int,
    pieces: int,
    lot: str,
    on: date,
    by: User | None,
    at: datetime,
) -> InstalledPart:
    """Fit a part into an empty slot of a unit."""
    with atomic_operation():
        unit = locked(unit)
        refuse_day_to_come(on, name="on", at=at)
        _check_panel(unit, panel)
        if on < unit.installed_on:
            raise RuleViolation({"on": ["The unit was installed later than that: check the date."]})
        installed_part = _stored(
            InstalledPart(
                unit=unit,
                component_type=component_type,
                kind=component_type.kind,
                panel=panel,
                pieces=pieces,
                lot=lot,
                fitted_on=on,
            )
        )
        _note(unit, f"{installed_part} fitted on {on}", by=by, at=at)
    return installed_part


def take_out(installed_part: InstalledPart, *, on: date, by: User | None, at: datetime) -> InstalledPart:
    """Take a part out of its slot and leave the slot empty."""
    with atomic_operation():
        locked(installed_part.unit)
        refuse_day_to_come(on, name="on", at=at)
        installed_part = InstalledPart.objects.select_for_update().get(pk=installed_part.pk)
        if installed_part.removed_on is not None:
            raise RuleViolation(f"This part was removed on {long_date(installed_part.removed_on)} already.")
        installed_part.removed_on = on
        _stored(installed_part)
        _note(installed_part.unit, f"{installed_part} removed on {on}", by=by, at=at)
    return installed_part


def replace_set(
    installed_part: InstalledPart,
    *,
    component_type: ComponentType,
    on: date,
    lot: str = "",
    pieces: int | None = None,
    by: User | None,
    at: datetime,
) -> InstalledPart:
    """Replace all pieces of a slot, or change their type: one part ends, another opens that day."""
    with atomic_operation():
        locked(installed_part.unit)
        refuse_day_to_come(on, name="on", at=at)
        installed_part = InstalledPart.objects.select_for_update().get(pk=installed_part.pk)
        if component_type.kind != installed_part.kind:
            raise RuleViolation(
                {
                    "component_type": [
                        f"A {component_type} can't take the place of a {installed_part.get_kind_display()}."
                    ]
                }
            )
        if installed_part.removed_on is not None:
            raise RuleViolation(f"This part was removed on {long_date(installed_part.removed_on)} already.")
        left = installed_part.pieces_left
        installed_part.removed_on = on
        _stored(installed_part)
        new = _stored(
            InstalledPart(
                unit=installed_part.unit,
                component_type=component_type,
                kind=installed_part.kind,
                panel=installed_part.panel,
                pieces=pieces or left,
                lot=lot,
                fitted_on=on,
            )
        )
        _note(installed_part.unit, f"{installed_part} replaced by {new} on {on}", by=by, at=at)
    return new


def change_panel_share(
    installed_part: InstalledPart,
    *,
    panel: int,
    component_type: ComponentType,
    on: date,
    lot: str = "",
    pieces: int | None = None,
    by: User | None,
    at: datetime,
) -> InstalledPart:
    """Change one panel's share of a part to another type.

    The other pieces go on under the old installed part; the new ones start their own time in the panel's
    slot. With four panels and sixteen corner keys, four leave and twelve go on.
    """
    with atomic_operation():
        unit = locked(installed_part.unit)
        refuse_day_to_come(on, name="on", at=at)
        installed_part = InstalledPart.objects.select_for_update().get(pk=installed_part.pk)
        _check_panel(unit, panel)
        if component_type.kind != installed_part.kind:
            raise RuleViolation(
                {
                    "component_type": [
                        f"A {component_type} can't take the place of a {installed_part.get_kind_display()}."
                    ]
                }
            )
        if installed_part.panel != InstalledPart.WHOLE or panel < 1:
            raise RuleViolation({"panel": ["Say which panel's parts were replaced."]})
        if installed_part.removed_on is not None or on < installed_part.fitted_on:
            raise RuleViolation({"on": ["The part was not in place on that day: check the date."]})
        share = pieces or _share(installed_part, panels=unit.panels)
        partial_removal = PartialRemoval(installed_part=installed_part, panel=panel, pieces=share, left_on=on)
        partial_removal.full_clean()
        partial_removal.save()
        InstalledPart.objects.filter(pk=installed_part.pk).update(changed_at=at)
        new = _stored(
            InstalledPart(
                unit=unit,
                component_type=component_type,
                kind=installed_part.kind,
                panel=panel,
                pieces=share,
                lot=lot,
                fitted_on=on,
            )
        )
        _note(unit, f"{share} of {installed_part} replaced by {new} on {on}", by=by, at=at)
    return new


def _share(installed_part: InstalledPart, *, panels: int | None) -> int:
    if not panels or installed_part.pieces % panels:
        raise RuleViolation(
            {"pieces": ["The pieces do not divide evenly by the panels: say how many were replaced."]}
        )
    return installed_part.pieces // panels
