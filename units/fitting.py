"""What can be done to the parts of a unit. History stays: a change ends one fitment and opens another."""

from __future__ import annotations

from datetime import date, datetime

from servicedesk.notices import send_after_commit
from servicedesk.people.history import write_change
from servicedesk.people.models import User
from servicedesk.refusals import Refused, one_step
from servicedesk.words import count
from units.models import ComponentType, Departure, Fitment, Unit
from units.operations import locked, refuse_day_to_come


def _stored(fitment: Fitment) -> Fitment:
    fitment.full_clean()
    fitment.save()
    return fitment


def _note(unit: Unit, did: str, *, by: User | None, at: datetime) -> None:
    write_change(unit, did=did, by=by, at=at)
    send_after_commit("schedules.plan_new_care")


def _check_panel(unit: Unit, panel: int) -> None:
    if panel and unit.panels and panel > unit.panels:
        raise Refused(
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
) -> Fitment:
    """Put a part into a slot of a unit that holds none."""
    with one_step():
        unit = locked(unit)
        refuse_day_to_come(on, name="on", at=at)
        _check_panel(unit, panel)
        if on < unit.installed_on:
            raise Refused({"on": ["The unit was installed later than that: check the date."]})
        fitment = _stored(
            Fitment(
                unit=unit,
                component_type=component_type,
                kind=component_type.kind,
                panel=panel,
                pieces=pieces,
                lot=lot,
                fitted_on=on,
            )
        )
        _note(unit, f"{fitment} fitted on {on}", by=by, at=at)
    return fitment


def take_out(fitment: Fitment, *, on: date, by: User | None, at: datetime) -> Fitment:
    """Take a part out of its slot and leave the slot empty."""
    with one_step():
        locked(fitment.unit)
        refuse_day_to_come(on, name="on", at=at)
        fitment = Fitment.objects.select_for_update().get(pk=fitment.pk)
        if fitment.removed_on is not None:
            raise Refused(f"This part was taken out on {fitment.removed_on:%-d %B %Y} already.")
        fitment.removed_on = on
        _stored(fitment)
        _note(fitment.unit, f"{fitment} taken out on {on}", by=by, at=at)
    return fitment


def replace_set(
    fitment: Fitment,
    *,
    component_type: ComponentType,
    on: date,
    lot: str = "",
    pieces: int | None = None,
    by: User | None,
    at: datetime,
) -> Fitment:
    """Replace all pieces of a slot, or change their type: one fitment ends and another opens that day."""
    with one_step():
        locked(fitment.unit)
        refuse_day_to_come(on, name="on", at=at)
        fitment = Fitment.objects.select_for_update().get(pk=fitment.pk)
        if component_type.kind != fitment.kind:
            raise Refused(
                {
                    "component_type": [
                        f"A {component_type} can't take the place of a {fitment.get_kind_display()}."
                    ]
                }
            )
        if fitment.removed_on is not None:
            raise Refused(f"This part was taken out on {fitment.removed_on:%-d %B %Y} already.")
        left = fitment.pieces_left
        fitment.removed_on = on
        _stored(fitment)
        new = _stored(
            Fitment(
                unit=fitment.unit,
                component_type=component_type,
                kind=fitment.kind,
                panel=fitment.panel,
                pieces=pieces or left,
                lot=lot,
                fitted_on=on,
            )
        )
        _note(fitment.unit, f"{fitment} replaced by {new} on {on}", by=by, at=at)
    return new


def change_panel_share(
    fitment: Fitment,
    *,
    panel: int,
    component_type: ComponentType,
    on: date,
    lot: str = "",
    pieces: int | None = None,
    by: User | None,
    at: datetime,
) -> Fitment:
    """Change one panel's share of a part to another type.

    The other pieces go on under the old fitment; the new ones start their own time in the panel's slot.
    With four panels and sixteen corner keys, four leave and twelve go on.
    """
    with one_step():
        unit = locked(fitment.unit)
        refuse_day_to_come(on, name="on", at=at)
        fitment = Fitment.objects.select_for_update().get(pk=fitment.pk)
        _check_panel(unit, panel)
        if component_type.kind != fitment.kind:
            raise Refused(
                {
                    "component_type": [
                        f"A {component_type} can't take the place of a {fitment.get_kind_display()}."
                    ]
                }
            )
        if fitment.panel != Fitment.WHOLE or panel < 1:
            raise Refused({"panel": ["Say which panel's share of the whole unit's parts was changed."]})
        if fitment.removed_on is not None or on < fitment.fitted_on:
            raise Refused({"on": ["The part was not in place on that day: check the date."]})
        share = pieces or _share(fitment, panels=unit.panels)
        departure = Departure(fitment=fitment, panel=panel, pieces=share, left_on=on)
        departure.full_clean()
        departure.save()
        Fitment.objects.filter(pk=fitment.pk).update(changed_at=at)
        new = _stored(
            Fitment(
                unit=unit,
                component_type=component_type,
                kind=fitment.kind,
                panel=panel,
                pieces=share,
                lot=lot,
                fitted_on=on,
            )
        )
        _note(unit, f"{share} of {fitment} replaced by {new} on {on}", by=by, at=at)
    return new


def _share(fitment: Fitment, *, panels: int | None) -> int:
    if not panels or fitment.pieces % panels:
        raise Refused(
            {"pieces": ["The pieces do not divide evenly by the panels: say how many were changed."]}
        )
    return fitment.pieces // panels
