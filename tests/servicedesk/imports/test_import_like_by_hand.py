"""What an import writes is, column by column, what the operations of the pages write for the same facts.

The import writes rows without the models (`servicedesk.imports.applying.bulk`), so each of its tables is held
against the operation that a page calls. Where the two are to differ, the reason stands beside the column.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db.models import DateTimeField, Model

from schedules.models import MaintenanceTask, NextDue
from schedules.models.maintenance import WorkKind
from schedules.operations import plan_next_dues
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, Inspection, SafetyAnswer, Work
from servicedesk.calls.operations import close_call, log_call, record_finding, record_work
from servicedesk.imports.applying.history import USUAL_MAINTENANCE
from tests.factories import UserFactory
from tests.servicedesk.imports.fleet_files import AT, add_reference, event, import_files, unit
from units import operations
from units.models import (
    ComponentType,
    Construction,
    Customer,
    FailureMode,
    InstalledPart,
    ObservationPeriod,
    Site,
    Unit,
)

pytestmark = pytest.mark.django_db

FITTED = date(2026, 7, 6)  # within 30 days of the import, which then takes the unit for watched since then
ON = date(2026, 7, 20)
NOON = datetime(2026, 7, 20, 16, tzinfo=UTC)  # noon at the desk

Columns = dict[str, Any]
Differences = Mapping[str, tuple[Any, Any]]
IMPORTED, PERSON = "the import", "the person"


@pytest.fixture(autouse=True)
def reference(db: None) -> None:
    """Names that files can use."""
    add_reference()


@pytest.fixture
def person() -> User:
    """Who does by hand what the file tells."""
    return UserFactory()


def columns(row: Model) -> Columns:
    """Give every column of a row but its key, moments, and the keys of units and sites beside it.

    Records that each of the two ways makes for itself are compared by what they say: a part by its slot.
    """
    values: Columns = {}
    for field in row._meta.concrete_fields:
        if field.primary_key or isinstance(field, DateTimeField) or field.generated:
            continue
        value = getattr(row, field.attname)
        related = getattr(row, field.name) if value is not None and field.is_relation else None
        if isinstance(related, User):
            value = PERSON
        elif isinstance(related, InstalledPart):
            value = related.kind, related.panel, related.fitted_on
        elif isinstance(related, Unit | Site | Customer | Call | Finding | Inspection | MaintenanceTask):
            value = type(related).__name__
        elif field.name == "batch" and value is not None:
            value = IMPORTED
        values[field.attname] = value
    return values


def differences(imported: Model, by_hand: Model) -> Differences:
    """Find the columns in which two rows differ."""
    first, second = columns(imported), columns(by_hand)
    return {name: (first[name], second[name]) for name in first if first[name] != second[name]}


BY_BATCH = {"batch_id": (IMPORTED, None)}
DIFFER: dict[type[Model], Differences] = {
    # Older records do not say who wrote them down, and the repair was over before it could become a task.
    Call: {"logged_by_id": (None, PERSON), "task_id": (None, "MaintenanceTask")},
    # Who found a fault by hand has looked at the unit; a file tells of no look.
    Finding: {"recorded_by_id": (None, PERSON), "inspection_id": (None, "Inspection")},
    Work: {"done_by_id": (None, PERSON), "task_id": (None, "MaintenanceTask")},
}


def add_by_hand(person: User, *, observed_from: date = FITTED) -> Unit:
    """Add what `imported_unit` tells by the operations of the pages."""
    customer = operations.add_record(Customer(name="Ann Probeson"), by=person, at=AT)
    place = operations.add_site(
        Site(
            code="S2",
            address="1 Testing Lane",
            postcode="27500",
            latitude=Decimal("35.9"),
            longitude=Decimal("-79.05"),
            year_built=1968,
            care_by="us",
        ),
        customer=customer,
        owned_from=FITTED,
        by=person,
        at=AT,
    )
    built = Unit(
        code="U2",
        site=place,
        place="left of the door",
        construction=Construction.objects.get(code="2"),
        panels=4,
        width_mm=Decimal("911.225"),
        height_mm=Decimal("1504.95"),
        facing=135,
        shade="part",
        finish="dark",
        above_grade_mm=Decimal("762"),
        installed_on=FITTED,
    )
    types = {"corner": ComponentType.objects.get(name="metal corner key")}
    extras = operations.Extras(lot="L7", types=types)
    return operations.add_unit(
        built, extras=extras, observed_from=observed_from, age_known=True, by=person, at=AT
    )


def imported_unit(**cells: Any) -> dict[str, Any]:
    """Give the row of UNITS that says the same."""
    return unit(
        customer="Ann Probeson",
        address="1 Testing Lane",
        postcode="27500",
        latitude="35.9",
        longitude="-79.05",
        year_built=1968,
        place="left of the door",
        width="35 7/8",
        height="59 1/4",
        facing="SE",
        shade="part",
        finish="dark",
        above_grade="30",
        lot="L7",
        corner="metal corner key",
        installed_on=FITTED,
        **cells,
    )


def both(model: type[Model], path: str = "unit", *, order: str = "pk") -> list[tuple[Any, Any]]:
    """Pair the records of one kind of U1, which came from the files, with those of U2."""
    rows = model._base_manager.order_by(order)
    imported, by_hand = (list(rows.filter(**{f"{path}__code": code})) for code in ("U1", "U2"))
    assert imported, f"the import made no {model.__name__}"
    return list(zip(imported, by_hand, strict=True))


def test_a_unit_with_all_that_belongs_to_it(person: User) -> None:
    import_files([imported_unit()], care_by="us")
    add_by_hand(person)
    plan_next_dues()
    units = Unit.objects.get(code="U1"), Unit.objects.get(code="U2")
    assert differences(*units) == {"code": ("U1", "U2")} | BY_BATCH
    sites = units[0].site, units[1].site
    assert differences(*sites) == {"code": ("S1", "S2")} | BY_BATCH
    owned = [site.ownerships.get() for site in sites]
    assert differences(*owned) == BY_BATCH
    assert differences(*(row.customer for row in owned)) == BY_BATCH
    parts = both(InstalledPart, order="kind")
    assert len(parts) == 5
    for pair in parts:
        assert differences(*pair) == BY_BATCH
    ((imported, by_hand),) = both(ObservationPeriod)
    assert differences(imported, by_hand) == BY_BATCH
    dues = both(NextDue, "installed_part__unit", order="rule")
    assert len(dues) == 2
    for pair in dues:
        assert differences(*pair) == {}


def test_a_unit_taken_over_late_and_removed_since(person: User) -> None:
    import_files([imported_unit(observed_from=FITTED + timedelta(days=3), removed_on=ON)], care_by="us")
    fitted = add_by_hand(person, observed_from=FITTED + timedelta(days=3))
    operations.remove_unit(fitted, on=ON, by=person, at=AT)
    units = Unit.objects.get(code="U1"), Unit.objects.get(code="U2")
    assert differences(*units) == {"code": ("U1", "U2")} | BY_BATCH
    for pair in [*both(InstalledPart, order="kind"), *both(ObservationPeriod)]:
        assert differences(*pair) == BY_BATCH


def test_a_call_with_its_finding_and_the_work_on_it(person: User) -> None:
    import_files(
        [imported_unit()],
        [
            event(
                on=ON,
                what="call",
                mode="LIN-01",
                where="panel 2",
                failure="yes",
                work="repaired",
                minutes=25,
                note="sticks in the heat",
                ref="c1",
            )
        ],
        care_by="us",
    )
    fitted = add_by_hand(person)
    call = log_call(
        Call(site=fitted.site, unit=fitted, urgency=Call.Urgency.NEXT_ROUND, ref="c1"),
        answers=dict.fromkeys(SafetyAnswer.Question.values, "no"),
        by=person,
        at=NOON,
    )
    finding = record_finding(
        Finding(
            unit=fitted,
            call=call,
            mode=FailureMode.objects.get(code="LIN-01"),
            found_on=ON,
            panel=2,
            is_failure=True,
            detected=Finding.Detected.CALLED,
            note="sticks in the heat",
            ref="c1",
        ),
        visit=None,
        by=person,
        at=NOON,
    )
    record_work(
        Work(
            unit=fitted,
            call=call,
            finding=finding,
            installed_part=finding.installed_part,
            kind=WorkKind.REPAIRED,
            done_on=ON,
            minutes=25,
            ref="c1",
        ),
        by=person,
        at=NOON,
    )
    close_call(call, by=person, at=NOON)
    for model in (Call, Finding, Work):
        for pair in both(model):
            assert differences(*pair) == BY_BATCH | DIFFER[model], model


def test_usual_care(person: User) -> None:
    import_files([imported_unit()], [event(on=ON, what="care", minutes=30)], care_by="us")
    fitted = add_by_hand(person)
    plan_next_dues()
    record_work(
        Work(unit=fitted, kind=WorkKind.CLEANED, done_on=ON, minutes=30, note=USUAL_MAINTENANCE),
        by=person,
        at=NOON,
    )
    record_work(
        Work(unit=fitted, kind=WorkKind.CHECKED, done_on=ON, note=USUAL_MAINTENANCE), by=person, at=NOON
    )
    for pair in both(Work, order="kind"):
        assert differences(*pair) == BY_BATCH | {"done_by_id": (None, PERSON)}
    for pair in both(NextDue, "installed_part__unit", order="rule"):
        assert differences(*pair) == {}
