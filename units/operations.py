"""Operations on customers, sites, units, the catalog and follow-up periods."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, TypeVar

from django.db.models import Model
from django.forms import BaseFormSet, ModelForm
from django.utils import timezone

from servicedesk.accounts.models import User
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.history import shown_values, stored_record, write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import long_date
from units.geometry import suggest_panels
from units.models import (
    ComponentType,
    Construction,
    Customer,
    InstalledPart,
    ObservationPeriod,
    Ownership,
    Site,
    Unit,
)

Record = TypeVar("Record", bound=Model)


def save_new(record: Record, *, action: str, by: User | None, at: datetime) -> Record:
    """Validate and store a new record, and write the first line of its history."""
    record.full_clean()
    record.save()
    write_change(record, action=action, by=by, at=at, after=shown_values(record))
    return record


def save_change(record: Record, *, action: str, by: User | None, at: datetime) -> Record:
    """Validate and store a changed record, and write the changes into its history."""
    old = stored_record(record)
    record.full_clean()
    record.save()
    before, after = shown_values(old, beside=record), shown_values(record, beside=old)
    write_change(record, action=action, by=by, at=at, before=before, after=after)
    return record


def add_record(record: Record, *, by: User | None, at: datetime) -> Record:
    """Add a customer, or a row of the reference data, as filled in on a form."""
    with atomic_operation():
        return save_new(record, action="added", by=by, at=at)


def change_record(record: Record, *, by: User | None, at: datetime) -> Record:
    """Change a customer, a site, or a row of the reference data, as filled in on a form."""
    with atomic_operation():
        return save_change(record, action="changed", by=by, at=at)


def add_site(
    site: Site, *, customer: Customer | None, owned_from: date, by: User | None, at: datetime
) -> Site:
    """Add a site, with the customer who owns it where known."""
    with atomic_operation():
        save_new(site, action="added", by=by, at=at)
        if customer is not None:
            save_new(
                Ownership(site=site, customer=customer, from_on=owned_from),
                action="became owner",
                by=by,
                at=at,
            )
    return site


def change_owner(site: Site, *, customer: Customer | None, on: date, by: User | None, at: datetime) -> None:
    """Change the owner of a site on a day to another customer, or to somebody who is not one of ours.

    The same change twice is made once.
    """
    with atomic_operation():
        site = Site.objects.select_for_update(no_key=True).get(pk=site.pk)
        open_ones = list(site.ownerships.select_for_update().filter(until_on__isnull=True))
        if customer is not None and [(one.customer_id, one.from_on) for one in open_ones] == [
            (customer.pk, on)
        ]:
            return
        for ownership in open_ones:
            ownership.until_on = on
            save_change(ownership, action="ownership ended", by=by, at=at)
        if customer is not None:
            save_new(Ownership(site=site, customer=customer, from_on=on), action="became owner", by=by, at=at)


def add_filled_in(form: ModelForm, *, by: User, at: datetime) -> Any:
    """Add a row of the reference data from its form, with its many-to-many relations."""
    with atomic_operation():
        row = save_new(form.instance, action="added", by=by, at=at)
        form._save_m2m()  # type: ignore[attr-defined]  # what form.save() would do after its save
    return row


def change_filled_in(form: ModelForm, *, parts: BaseFormSet | None, by: User, at: datetime) -> Any:
    """Change a row of the reference data from its form; of a construction, also its parts."""
    with atomic_operation():
        row = save_change(form.instance, action="changed", by=by, at=at)
        form._save_m2m()  # type: ignore[attr-defined]  # what form.save() would do after its save
        if parts is not None and parts.has_changed():
            parts.save()  # type: ignore[attr-defined]  # an inline formset
            parts_text = "; ".join(
                f"{part.pieces} {part.component_type}{' each panel' if part.each_panel else ''}"
                for part in row.parts.select_related("component_type")
            )
            write_change(row, action="parts changed", by=by, at=at, after={"parts": parts_text})
    return row


@dataclass(frozen=True)
class Extras:
    """What a new unit has beyond the usual parts of its construction."""

    lower_lite: bool = False
    extension_jamb: bool = False
    lot: str = ""
    types: Mapping[str, ComponentType] | None = None


def refuse_day_to_come(day: date, *, name: str, at: datetime) -> None:
    """Refuse a day that has not come yet: what is recorded here has happened."""
    if day > (today := timezone.localdate(at)):
        raise RuleViolation(
            {name: [f"{long_date(day)} is still to come (today is {long_date(today)}): check the year."]}
        )


def panels_by_height(unit: Unit) -> int | None:
    """Suggested number of panels of a unit, from the height of its sliding field; None without one."""
    field = (unit.height_mm or 0) - (unit.lower_lite_mm or 0)
    return suggest_panels(field) if isinstance(field, Decimal) and field > 0 else None


LOT_KINDS = ("track", "sash", "corner")


def usual_installed_parts(
    unit: Unit, construction: Construction, extras: Extras, *, age_known: bool = True
) -> list[InstalledPart]:
    """Build the parts of a new unit: those of its construction, with single types replaced (not saved).

    The lot of a unit marks its track, sash and corner installed parts.
    """
    optional = {"lite": extras.lower_lite, "jamb": extras.extension_jamb}
    instead = dict(extras.types or {})
    panels = unit.panels or 1
    installed_parts = []
    for part in construction.parts.all():
        kind = part.component_type.kind
        if part.optional and not optional.get(kind, False):
            continue
        installed_parts.append(
            InstalledPart(
                unit=unit,
                component_type=instead.pop(kind, part.component_type),
                kind=kind,
                pieces=part.pieces_for(panels),
                lot=extras.lot if kind in LOT_KINDS else "",
                fitted_on=unit.installed_on,
                age_known=age_known,
                batch_id=unit.batch_id,
            )
        )
    for kind, component_type in instead.items():
        installed_parts.append(
            InstalledPart(
                unit=unit,
                component_type=component_type,
                kind=kind,
                lot=extras.lot if kind in LOT_KINDS else "",
                fitted_on=unit.installed_on,
                age_known=age_known,
                batch_id=unit.batch_id,
            )
        )
    return installed_parts


def add_unit(
    unit: Unit,
    *,
    extras: Extras,
    observed_from: date,
    age_known: bool,
    by: User | None,
    at: datetime,
) -> Unit:
    """Add a unit with the parts of its construction and a follow-up period from a day on."""
    with atomic_operation():
        refuse_day_to_come(unit.installed_on, name="installed_on", at=at)
        refuse_day_to_come(observed_from, name="observed_from", at=at)
        if observed_from < unit.installed_on:
            raise RuleViolation(
                {
                    "observed_from": [
                        "The unit can't be under our service before it was installed: check the two dates."
                    ]
                }
            )
        unit.panels = unit.panels or panels_by_height(unit)
        save_new(unit, action="added", by=by, at=at)
        if unit.construction is not None:
            for installed_part in usual_installed_parts(unit, unit.construction, extras, age_known=age_known):
                installed_part.full_clean()
                installed_part.save()
        began = ObservationPeriod.Began
        period = ObservationPeriod(
            unit=unit,
            from_on=observed_from,
            began=began.FITTED if observed_from == unit.installed_on else began.TAKEN_OVER,
        )
        period.full_clean()
        period.save()
        enqueue_on_commit("schedules.plan_next_dues")
    return unit


def change_site(site: Site, *, by: User, at: datetime) -> Site:
    """Change a site; who does its maintenance decides which work becomes ours."""
    with atomic_operation():
        save_change(site, action="changed", by=by, at=at)
        enqueue_on_commit("schedules.raise_due")
    return site


def set_care_by(sites: Iterable[Site], *, care_by: str, by: User, at: datetime) -> int:
    """Set who does the maintenance at several sites at once; return how many changed."""
    with atomic_operation():
        moved = 0
        for site in (
            Site.objects.select_for_update().filter(pk__in=[site.pk for site in sites]).order_by("pk")
        ):
            if site.care_by != care_by:
                site.care_by = care_by
                save_change(site, action=f"maintenance: {site.get_care_by_display()}", by=by, at=at)
                moved += 1
        enqueue_on_commit("schedules.raise_due")
    return moved


def change_unit(unit: Unit, *, by: User, at: datetime) -> Unit:
    """Change a unit; its parts and periods have operations of their own."""
    with atomic_operation():
        if not Unit.objects.filter(pk=unit.pk, installed_on=unit.installed_on).exists():
            refuse_day_to_come(unit.installed_on, name="installed_on", at=at)
        return save_change(unit, action="changed", by=by, at=at)


def locked(unit: Unit) -> Unit:
    """Lock a unit's row, so that two people do not change its parts at once."""
    return Unit.objects.select_for_update().get(pk=unit.pk)


def remove_unit(unit: Unit, *, on: date, by: User, at: datetime) -> Unit:
    """Remove a unit on a day: its parts and its follow-up end."""
    with atomic_operation():
        unit = locked(unit)
        if unit.removed_on is not None:
            raise RuleViolation(f"This unit was removed on {long_date(unit.removed_on)} already.")
        refuse_day_to_come(on, name="on", at=at)
        for installed_part in unit.installed_parts.in_place():
            installed_part.removed_on = on
            installed_part.full_clean()
            installed_part.save()
        for period in unit.periods.filter(until_on__isnull=True):
            period.until_on, period.ended = on, ObservationPeriod.Ended.REMOVED
            period.full_clean()
            period.save()
        unit.removed_on = on
        save_change(unit, action="removed", by=by, at=at)
    return unit


def end_observation(
    period: ObservationPeriod, *, on: date, ended: ObservationPeriod.Ended, by: User, at: datetime
) -> None:
    """End a follow-up period: from this day failures of the unit would no longer reach us."""
    with atomic_operation():
        period.until_on, period.ended = on, ended
        save_change(period, action="service ended", by=by, at=at)


def resume_observation(
    unit: Unit, *, from_on: date, began: ObservationPeriod.Began, by: User, at: datetime
) -> ObservationPeriod:
    """Begin a new follow-up period: from this day failures of the unit reach us again."""
    with atomic_operation():
        if from_on < unit.installed_on:
            raise RuleViolation({"from_on": ["The unit was installed later than that: check the date."]})
        return save_new(
            ObservationPeriod(unit=unit, from_on=from_on, began=began),
            action="service began",
            by=by,
            at=at,
        )
