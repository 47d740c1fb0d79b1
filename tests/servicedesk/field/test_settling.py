"""What the porch can't answer goes to the office as it was typed; nothing has to be thrown away."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone

from schedules.models import Notification, Visit
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, Inspection, PhoneRecord, Photo, Work
from servicedesk.core.models import Change
from servicedesk.field import inbox
from servicedesk.field.sent import Made, Sent
from servicedesk.privacy.anonymize import anonymize_customer
from tests.factories import (
    CallFactory,
    CustomerFactory,
    OwnershipFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)
from tests.schedules.planned_visits import told as words_of
from tests.servicedesk.field.test_finish_records import frame
from tests.servicedesk.field.test_inbox import photo_file, record, send, unit
from units.models import FailureMode, Unit

__all__ = ["unit"]
pytestmark = pytest.mark.django_db


def remove(unit: Unit, *, ago: int) -> None:
    """Remove a unit some days ago."""
    day = timezone.localdate() - timedelta(days=ago)
    unit.installed_parts.update(removed_on=day)
    Unit.objects.filter(pk=unit.pk).update(removed_on=day)


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("finding", {"mode": 999_999}),
        ("finding", {"severity": "danger"}),
        ("finding", {"works": ["danced"]}),
        ("finding", {"unit": None}),
        ("fine", {"unit": None, "site": 999_999}),
        ("work", {"work": "replaced"}),
        ("care", {"tasks": []}),
        ("finish", {"visit": 999_999}),
        ("dance", {}),
    ],
)
def test_every_refusal_has_a_way_that_keeps_the_record(
    as_technician: Client, as_scheduler: Client, unit: Unit, kind: str, changes: dict[str, Any]
) -> None:
    sent = record(unit, kind, note="squeaks at noon", **changes)
    assert send(as_technician, sent).status_code in {400, 422}
    assert not PhoneRecord.objects.exists()
    first, again = (send(as_technician, {**sent, "settle": True}) for _ in range(2))
    assert (first.status_code, first.json()) == (200, again.json())
    assert first.json()["state"] == "received"
    row = PhoneRecord.objects.get()
    assert row.is_left
    assert not Finding.objects.exists()
    home = words_of(as_scheduler.get("/").content)
    assert "squeaks at noon" in home
    assert "Not saved yet" in home


def test_without_a_moment_it_is_stored_all_the_same(as_technician: Client, unit: Unit) -> None:
    sent = {**record(unit), "made_at": "yesterday"}
    assert send(as_technician, sent).status_code == 200
    assert Finding.objects.get().found_on == timezone.localdate()


def test_the_office_reads_all_that_was_typed_and_marks_it_as_settled(
    as_technician: Client, as_scheduler: Client, as_owner: Client, scheduler: User, unit: Unit
) -> None:
    sent = record(unit, corner="UL", severity="danger", note="gate code\n4711", works=["adjusted"])
    assert send(as_technician, {**sent, "settle": True}).status_code == 200
    for installation in (as_scheduler, as_owner):
        home = words_of(installation.get("/").content)
        for words in ("Danger.", "binds", "upper left", "unsafe", "adjusted", "4711", unit.code):
            assert words in home
    assert Notification.objects.get().kind == "alarm"
    row = PhoneRecord.objects.get()
    as_scheduler.post(f"/phone-records/{row.pk}/seen/")
    assert "gate code" not in words_of(as_scheduler.get("/").content)
    change = Change.objects.about(unit).order_by("-pk")[0]
    assert (change.action[:8], change.by) == ("settled:", scheduler)


def test_what_is_to_be_settled_is_said_in_words(
    as_technician: Client, as_scheduler: Client, unit: Unit
) -> None:
    safe = frame("finish", visit=999_999, safe_12="Panel taken down and tagged.")
    for sent in (record(unit, "work", work="replaced", extent="share"), safe):
        assert send(as_technician, {**sent, "settle": True}).json()["left"]
    home = words_of(as_scheduler.get("/").content)
    assert "One panel</dd>" in home
    assert '<dt>What made it safe</dt><dd class="break">Panel taken down and tagged.' in home
    assert "not in the schedule any more. <strong>Not saved yet" in home


def test_a_photo_comes_to_the_unit_of_a_record_left_to_the_office(as_technician: Client, unit: Unit) -> None:
    sent = {**record(unit, mode=999_999), "settle": True}
    send(as_technician, sent)
    photo = {"key": str(uuid4()), "record": sent["key"], "photo": photo_file()}
    assert as_technician.post("/field/photos/", photo).status_code == 200
    assert Photo.objects.get().unit == unit


def test_a_key_used_before_with_other_contents_is_kept_under_a_key_of_its_own(
    as_technician: Client, unit: Unit
) -> None:
    sent = record(unit)
    send(as_technician, sent)
    other = {**sent, "body": {**sent["body"], "panel": 3}}
    assert send(as_technician, other).status_code == 422
    for _ in range(2):
        assert send(as_technician, {**other, "settle": True}).status_code == 200
    assert PhoneRecord.objects.count() == 2
    assert Finding.objects.get().panel == 2


@pytest.mark.parametrize("kind", ["finding", "fine", "work"])
def test_a_unit_removed_after_the_recording_takes_it_and_says_so(
    as_technician: Client, as_scheduler: Client, unit: Unit, kind: str
) -> None:
    sent = record(unit, kind, found_on="", done_on="", panel="", work="cleaned")
    made = timezone.now() - timedelta(days=3)
    remove(unit, ago=1)
    assert send(as_technician, {**sent, "made_at": made.isoformat()}).status_code == 200
    stored = {"finding": Finding, "fine": Inspection, "work": Work}[kind]
    assert stored.objects.count() == 1
    assert "was removed meanwhile" in words_of(as_scheduler.get("/").content)


@pytest.mark.parametrize("kind", ["finding", "fine", "work"])
def test_a_unit_removed_before_the_recording_goes_to_the_office(
    as_technician: Client, as_scheduler: Client, unit: Unit, kind: str
) -> None:
    remove(unit, ago=3)
    answer = send(as_technician, record(unit, kind, note="still there", panel="", work="cleaned"))
    assert answer.status_code == 200
    assert "left to the office" in answer.json()["words"]
    assert PhoneRecord.objects.get().is_left
    assert "still there" in words_of(as_scheduler.get("/").content)


@pytest.mark.parametrize("day", ["2019-01-01", "soon", "0001-01-01"])
def test_a_wrong_day_goes_to_the_office(as_technician: Client, unit: Unit, day: str) -> None:
    answer = send(as_technician, record(unit, found_on=day))
    assert (answer.status_code, answer.json()["state"]) == (200, "received")
    assert PhoneRecord.objects.get().is_left


def test_a_visit_finished_meanwhile_takes_what_was_recorded_before(
    as_technician: Client, as_scheduler: Client, unit: Unit
) -> None:
    visit = VisitFactory(site=unit.site, state="confirmed")
    sent = record(unit, visit=visit.pk)
    Visit.objects.filter(pk=visit.pk).update(finished_at=timezone.now() + timedelta(seconds=1))
    assert send(as_technician, sent).status_code == 200
    assert Finding.objects.count() == 1
    assert "visit that was finished meanwhile" in words_of(as_scheduler.get("/").content)


@pytest.mark.parametrize(("state", "tied"), [("completed", True), ("cancelled", False)])
def test_a_call_that_ended_meanwhile_loses_nothing(
    as_technician: Client, unit: Unit, state: str, tied: bool
) -> None:
    task = TaskFactory(unit=unit, origin="call")
    call = CallFactory(site=unit.site, unit=unit, task=task, state=state, closed_at=timezone.now())
    assert send(as_technician, record(unit, call=call.pk)).status_code == 200
    assert (Finding.objects.get().call == call) is tied
    assert bool(PhoneRecord.objects.get().look_at) is not tied
    assert Call.objects.get().state == state


def test_names_in_a_record_left_to_the_office_are_erased_with_the_customer(
    as_technician: Client, owner: User, unit: Unit
) -> None:
    customer = CustomerFactory(name="Vesta Probeson")
    OwnershipFactory(site=unit.site, customer=customer)
    visit = VisitFactory(site=unit.site, state="cancelled")
    body = {"visit": visit.pk, "note": "Vesta Probeson has the key", "ended_at": "Vesta Probeson"}
    sent = {**record(unit, "finish"), "body": body, "settle": True}
    assert send(as_technician, sent).status_code == 200
    row = PhoneRecord.objects.get()
    assert row.site == unit.site
    anonymize_customer(customer, places=False, by=owner, at=timezone.now())
    row.refresh_from_db()
    assert "Vesta" not in json.dumps([row.payload, row.answer, row.look_at])


def test_many_records_to_settle_are_read_at_once(
    as_technician: Client, as_scheduler: Client, unit: Unit, django_assert_max_num_queries: Any
) -> None:
    for _ in range(6):
        send(as_technician, {**record(unit, unit=UnitFactory().pk, mode=None), "settle": True})
    with django_assert_max_num_queries(60):
        page = words_of(as_scheduler.get("/").content)
    assert page.count("Not saved yet") == 6
    assert FailureMode.objects.count() == 1


def test_a_record_that_breaks_the_desk_can_be_left_to_the_office(
    as_technician: Client, unit: Unit, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(sent: Sent, *, by: User) -> Made:
        raise ZeroDivisionError

    monkeypatch.setattr(inbox, "KINDS", {"finding": broken})
    sent = record(unit)
    with pytest.raises(ZeroDivisionError):
        send(as_technician, sent)
    assert send(as_technician, {**sent, "settle": True}).status_code == 200
    assert PhoneRecord.objects.get().is_left


def test_a_photo_that_is_no_photo_still_says_so(as_technician: Client, unit: Unit) -> None:
    sent = record(unit)
    send(as_technician, sent)
    bad = SimpleUploadedFile("p.jpg", b"no photo", "image/jpeg")
    photo = {"key": str(uuid4()), "record": sent["key"], "photo": bad}
    assert as_technician.post("/field/photos/", photo).status_code == 422
