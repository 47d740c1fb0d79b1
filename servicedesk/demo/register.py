"""Data that the import files have no column for: coast, maintenance, telephones, glass, replaced parts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import TypeVar

from django.db.models import Model

from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import atomic_operation
from servicedesk.demo.fleet import AsBuilt, Fleet, Neighbor, PlannedUnit, millimeters
from units.fitting import change_panel_share, replace_set
from units.models import ComponentType, Customer, InstalledPart, ObservationPeriod, Ownership, Site, Unit
from units.operations import add_record, change_owner, end_observation

Record = TypeVar("Record", bound=Model)

SITE_FIELDS = ("coast", "care_by", "access_notes")
CUSTOMER_FIELDS = ("phone", "email")
UNIT_FIELDS = (
    *("stack", "release_side", "lower_lite_mm", "crew", "day_temperature_c", "end_gap_mm"),
    *("opening_width_mm", "opening_height_mm"),
)
EXTRA_PARTS = ("tempered lower lite", "extension jamb")


def complete_register(fleet: Fleet, *, by: User, at: datetime) -> None:
    """Add to the imported units and sites what their files could not say, in one transaction.

    Descriptions are stored in bulk, as an import stores them; what changes a part or an owner goes
    through the operation that the pages use.
    """
    with atomic_operation():
        sites = {site.code: site for site in Site.objects.all()}
        units = {unit.code: unit for unit in Unit.objects.all()}
        _describe_sites(fleet, sites, by=by, at=at)
        _describe_customers(fleet, by=by, at=at)
        _describe_units(fleet, units, by=by, at=at)
        for planned in fleet.units:
            _change_parts(units[planned.code], planned, by=by, at=at)
        for site in fleet.sites:
            if site.fate.what == "sold" and site.fate.on is not None:
                _sell(sites[site.code], on=site.fate.on, buyer=site.fate.buyer, by=by, at=at)


def _describe_sites(fleet: Fleet, sites: dict[str, Site], *, by: User, at: datetime) -> None:
    for planned in fleet.sites:
        site = sites[planned.code]
        site.coast, site.care_by, site.access_notes = planned.coast, planned.care_by, planned.access_note
    _store(list(sites.values()), SITE_FIELDS, action="coast, care and access noted", by=by, at=at)


def _describe_customers(fleet: Fleet, *, by: User, at: datetime) -> None:
    owners = {
        ownership.site.code: ownership.customer
        for ownership in Ownership.objects.select_related("site", "customer").current()
    }
    for planned in fleet.sites:
        owner = owners[planned.code]
        owner.phone, owner.email = planned.customer.phone, planned.customer.email
    _store(list(owners.values()), CUSTOMER_FIELDS, action="telephone and mail noted", by=by, at=at)


def _describe_units(fleet: Fleet, units: dict[str, Unit], *, by: User, at: datetime) -> None:
    """Store the measurements of the day, and install the glass and jambs that only some units have."""
    types = {row.name: row for row in ComponentType.objects.filter(name__in=EXTRA_PARTS)}
    described, parts = [], []
    for planned in fleet.units:
        unit = units[planned.code]
        if planned.as_built is not None:
            unit.stack, unit.release_side = planned.stack, planned.release_side
            _note_as_built(unit, planned.as_built)
        if planned.lower_lite is not None:
            unit.lower_lite_mm = millimeters(planned.lower_lite)
        if planned.as_built is not None or planned.lower_lite is not None:
            described.append(unit)
        has = (planned.lower_lite is not None, planned.jamb)
        names = [name for name, wanted in zip(EXTRA_PARTS, has, strict=True) if wanted]
        parts += [_extra_part(unit, types[name]) for name in names]
    _store(described, UNIT_FIELDS, action="described as built", by=by, at=at)
    InstalledPart.objects.bulk_create(parts)


def _note_as_built(unit: Unit, noted: AsBuilt) -> None:
    unit.crew, unit.day_temperature_c = noted.crew, Decimal(noted.day_temperature_c)
    unit.end_gap_mm = None if noted.end_gap is None else millimeters(noted.end_gap)
    unit.opening_width_mm = millimeters(noted.opening_width)
    unit.opening_height_mm = millimeters(noted.opening_height)


def _extra_part(unit: Unit, made_as: ComponentType) -> InstalledPart:
    part = InstalledPart(unit=unit, component_type=made_as, kind=made_as.kind, fitted_on=unit.installed_on)
    part.clean_fields()
    return part


def _store(records: Sequence[Record], fields: Iterable[str], *, action: str, by: User, at: datetime) -> None:
    """Update fields of many records at once, each with its entry in the history."""
    for record in records:
        record.clean_fields()
    type(records[0])._default_manager.bulk_update(records, list(fields), batch_size=200)
    for record in records:
        write_change(record, action=action, by=by, at=at)


def _change_parts(unit: Unit, planned: PlannedUnit, *, by: User, at: datetime) -> None:
    """Replace the parts that were replaced since the unit was installed, in the order of the days."""
    for swap in sorted(planned.swaps, key=lambda swap: swap.on):
        made_as = ComponentType.objects.get(name=swap.to)
        part = unit.installed_parts.in_place().get(kind=made_as.kind, panel=InstalledPart.WHOLE)
        if swap.panel:
            change_panel_share(part, panel=swap.panel, component_type=made_as, on=swap.on, by=by, at=at)
        else:
            replace_set(part, component_type=made_as, on=swap.on, by=by, at=at)


def _sell(site: Site, *, on: date, buyer: Neighbor | None, by: User, at: datetime) -> None:
    """Record the sale of a house; where the new owner is no customer, end the follow-up of its units."""
    customer = None
    if buyer is not None:
        record = Customer(name=buyer.name, phone=buyer.phone, email=buyer.email, note="Bought the house.")
        customer = add_record(record, by=by, at=at)
    change_owner(site, customer=customer, on=on, by=by, at=at)
    if customer is None:
        for period in ObservationPeriod.objects.filter(unit__site=site, until_on__isnull=True):
            end_observation(period, on=on, ended=ObservationPeriod.Ended.SOLD, by=by, at=at)
