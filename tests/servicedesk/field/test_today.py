"""The technician's day: what each stop tells, and that a full day asks no more often than an empty one."""

from __future__ import annotations

from datetime import datetime, time, timedelta

import pytest
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from schedules.models import Visit, VisitTask
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call
from servicedesk.field.today import read_day
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    ConstructionFactory,
    FailureModeFactory,
    FindingFactory,
    InstalledPartFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
    WorkFactory,
)
from units.models import Unit

pytestmark = pytest.mark.django_db


def stop_of(person: User, number: int, *, calls: int = 1) -> tuple[Visit, list[Unit]]:
    """Plan a stop of today at a site of its own with three units, about some of which somebody called."""
    today = timezone.make_aware(datetime.combine(timezone.localdate(), time(8)))
    visit: Visit = VisitFactory(
        starts_at=today + number * timedelta(minutes=30), ends_at=today + (number + 1) * timedelta(minutes=30)
    )
    visit.technicians.add(person)
    kind = ComponentTypeFactory(kind="track")
    mode = FailureModeFactory(kind="track", name=f"binds {number}", spares="glide")
    built = ConstructionFactory()
    mode.expected_on.add(built)
    units: list[Unit] = UnitFactory.create_batch(3, site=visit.site, construction=built, panels=3)
    for unit in units:
        part = InstalledPartFactory(unit=unit, component_type=kind)
        for ago in range(4):
            FindingFactory(unit=unit, installed_part=part, mode=mode, found_on=f"2025-03-{10 + ago}")
            WorkFactory(unit=unit, installed_part=part, done_on=f"2025-04-{10 + ago}")
    for unit in units[:calls]:
        task = TaskFactory(unit=unit, origin="call")
        CallFactory(site=visit.site, unit=unit, task=task, symptom="stiff")
        VisitTask.objects.create(visit=visit, task=task)
    return visit, units


@pytest.mark.parametrize("stops", [2, 9])
@pytest.mark.parametrize("address", ["/field/", "/field/stops/{}/", "/field/units/{}/"])
def test_a_full_day_asks_no_more_often_than_a_quiet_one(
    as_technician: Client,
    technician: User,
    stops: int,
    address: str,
    django_assert_max_num_queries: DjangoAssertNumQueries,
) -> None:
    for number in range(stops):
        visit, units = stop_of(technician, number, calls=1 + number % 3)
    pk = units[0].pk if "units" in address else visit.pk
    with django_assert_max_num_queries(30):
        assert as_technician.get(address.format(pk)).status_code == 200


def test_each_stop_tells_what_happened_there_and_what_it_may_be(technician: User) -> None:
    visits = [stop_of(technician, number)[0] for number in range(2)]
    day = read_day(technician, timezone.localdate())
    assert [stop.visit for stop in day.stops] == visits
    for number, stop in enumerate(day.stops):
        codes = {unit.code for unit in stop.units}
        assert len(codes) == 3
        assert [each.on.isoformat() for each in stop.happened] == ["2025-04-13"] * 3
        assert all(each.words.split(":")[0] in codes for each in stop.happened)
        assert [call.unit for call in stop.calls] == [stop.units[0]]
        assert stop.likely[0].mode.name == f"binds {number}"  # found only on units built like this one
    assert day.parts == ["glide"]


def test_open_dangers_come_first_with_a_phone_to_tap_and_ask_no_more_often_when_many(
    as_technician: Client, technician: User, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for number in range(6):
        visit, units = stop_of(technician, number)
        call = Call.objects.get(unit=units[0])
        Call.objects.filter(pk=call.pk).update(phone=f"555 010{number}", urgency="make_safe")
        call.safety_answers.create(question="fall_risk", answer="yes")
    with django_assert_max_num_queries(36):
        page = as_technician.get("/field/").content.decode()
    assert page.count('href="tel:55501') == 6
    assert page.index("Danger") < page.index("Next:")
    assert technician.name in page
    assert "Danger." in as_technician.get(f"/field/stops/{visit.pk}/").content.decode()
