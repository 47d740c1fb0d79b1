"""Seen and fine: one click for a window, or for all of a place."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from servicedesk.accounts.models import User
from servicedesk.calls import operations
from servicedesk.calls.models import Call, Inspection
from servicedesk.core.models import Change
from tests.factories import FindingFactory, UnitFactory, VisitFactory
from tests.servicedesk.calls.conftest import Porch, day, typed


def see(client: Client, porch: Porch, **fields: object) -> Any:
    """Press "seen, fine" for the porch's unit."""
    return client.post(reverse("calls:record_no_fault", args=[porch.unit.pk]), fields, follow=True)


def test_one_click_stores_a_good_look_and_says_so(
    as_technician: Client, porch: Porch, technician: User
) -> None:
    answer = see(as_technician, porch)
    assert answer.redirect_chain == [(porch.unit.get_absolute_url(), 302)]
    assert "Unit U-0001 was inspected today, no faults." in answer.content.decode()
    inspection = Inspection.objects.get()
    assert (inspection.unit, inspection.inspected_on, inspection.outcome) == (porch.unit, day(0), "fine")
    assert (inspection.inspected_by, inspection.call, inspection.visit) == (technician, None, None)
    assert Change.objects.about(porch.unit).for_page()[0].action == "inspected, no faults"


def test_two_clicks_are_one_look(as_technician: Client, porch: Porch) -> None:
    see(as_technician, porch)
    see(as_technician, porch)
    assert Inspection.objects.count() == 1
    assert Change.objects.about(porch.unit).count() == 1


def test_a_look_on_a_call_moves_the_call_along(as_technician: Client, porch: Porch, call: Call) -> None:
    answer = see(as_technician, porch, call=call.pk)
    assert answer.redirect_chain == [(call.get_absolute_url(), 302)]
    assert Inspection.objects.get().call == call
    call.refresh_from_db()
    assert call.state == "in-process"
    assert f"unit U-0001 on {day(0):%b %-d, %Y}" in answer.content.decode()


def test_a_look_on_a_visit_goes_back_to_the_visit(as_technician: Client, porch: Porch) -> None:
    visit = VisitFactory(site=porch.site)
    address = reverse("calls:record_no_fault", args=[porch.unit.pk])
    answer = as_technician.post(address, {"visit": visit.pk})
    assert answer["Location"] == reverse("schedules:visit", args=[visit.pk])
    assert Inspection.objects.get().visit_id == visit.pk
    assert as_technician.post(address, {"visit": VisitFactory().pk}).status_code == 404


def test_what_was_found_today_is_not_seen_as_fine(as_technician: Client, porch: Porch, call: Call) -> None:
    sent = typed(mode=porch.binds.pk, severity="hinders", is_failure="True", found_on=day(0).isoformat())
    as_technician.post(reverse("calls:add_finding", args=[call.pk]), sent)
    answer = see(as_technician, porch)
    assert "recorded as inspected with no faults" in answer.content.decode()
    assert not Inspection.objects.without_fault().exists()


def test_a_finding_after_a_good_look_takes_it_back(as_technician: Client, porch: Porch, call: Call) -> None:
    see(as_technician, porch, call=call.pk)
    sent = typed(mode=porch.binds.pk, severity="hinders", is_failure="True", found_on=day(0).isoformat())
    as_technician.post(reverse("calls:add_finding", args=[call.pk]), sent)
    inspection = Inspection.objects.get()
    assert inspection.outcome == "findings"
    assert inspection.findings.count() == 1


def test_all_windows_of_a_place_but_those_with_findings(
    as_technician: Client, porch: Porch, call: Call
) -> None:
    second, third = (UnitFactory(site=porch.site, code=f"U-000{n}") for n in (2, 3))
    UnitFactory(site=porch.site, code="U-GONE", removed_on=day(9))
    UnitFactory(code="U-ELSEWHERE")
    operations.record_finding(
        FindingFactory.build(
            unit=porch.unit, mode=porch.binds, installed_part=None, found_on=day(0), call=call
        ),
        visit=None,
        by=None,
        at=timezone.now(),
    )
    address = reverse("calls:record_no_faults", args=[porch.site.pk])
    answer = as_technician.post(address, {"call": call.pk}, follow=True)
    assert "Inspected today, no faults: U-0002, U-0003." in answer.content.decode()
    assert set(Inspection.objects.without_fault().values_list("unit", flat=True)) == {second.pk, third.pk}
    as_technician.post(address, {"call": call.pk})
    assert Inspection.objects.without_fault().count() == 2


def test_a_place_with_nothing_left_to_see_says_so(as_technician: Client, porch: Porch) -> None:
    UnitFactory(site=porch.site, removed_on=day(9))
    operations.record_finding(
        FindingFactory.build(unit=porch.unit, mode=porch.binds, installed_part=None, found_on=day(0)),
        visit=None,
        by=None,
        at=timezone.now(),
    )
    answer = as_technician.post(reverse("calls:record_no_faults", args=[porch.site.pk]), follow=True)
    assert "No unit is left" in answer.content.decode()


def test_a_removed_window_is_not_seen(as_technician: Client, porch: Porch) -> None:
    gone = UnitFactory(code="U-GONE", removed_on=day(9))
    answer = as_technician.post(reverse("calls:record_no_fault", args=[gone.pk]), follow=True)
    assert "Unit U-GONE was removed" in answer.content.decode()
    assert not Inspection.objects.exists()


def test_a_look_takes_a_button(as_technician: Client, porch: Porch) -> None:
    assert as_technician.get(reverse("calls:record_no_fault", args=[porch.unit.pk])).status_code == 405
    assert as_technician.get(reverse("calls:record_no_faults", args=[porch.site.pk])).status_code == 405


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_two_people_who_press_at_once_make_one_look(porch: Porch) -> None:
    failures: list[BaseException] = []
    together = threading.Barrier(2)

    def press() -> None:
        try:
            together.wait(timeout=10)
            operations.record_no_fault(porch.unit, call=None, visit=None, by=None, at=timezone.now())
        except BaseException as failure:
            failures.append(failure)
        finally:
            connection.close()

    people = [threading.Thread(target=press) for _ in range(2)]
    for person in people:
        person.start()
    for person in people:
        person.join()
    assert failures == []
    assert Inspection.objects.count() == 1
