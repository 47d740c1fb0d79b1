"""Invitations by mail and to-dos, read back by programs that share no code with the writer."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from uuid import UUID

import icalendar
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from schedules import operations
from schedules.calendars.entries import Todo
from schedules.calendars.ical import build_calendar, build_message
from schedules.models import MaintenanceTask, Visit
from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from tests.factories import TaskFactory, VisitFactory
from tests.schedules.calendar_entries import HOSTILE, visit
from tests.schedules.ical_linter import lint
from tests.schedules.readers import read_with_icaljs, read_with_libical

pytestmark = pytest.mark.django_db

AT = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
PEOPLE = {
    "organizer": "desk@company.example",
    "organizer_name": "Porch Windows, “Ltd”",
    "attendee": "testa@customer.example",
    "attendee_name": 'Testa; "T" Owner',
}


def message(method: str = "REQUEST", **changes: object) -> bytes:
    """Write an invitation, or the news that a visit is off."""
    status = "CANCELLED" if method == "CANCEL" else "CONFIRMED"
    return build_message(visit(status=status, **changes), method=method, **PEOPLE)  # type: ignore[arg-type]


@pytest.mark.parametrize("method", ["REQUEST", "CANCEL"])
def test_a_message_keeps_rfc_5546(method: str) -> None:
    # RFC 5546 sections 3.2.2 and 3.2.5: METHOD, ORGANIZER, ATTENDEE, UID, SEQUENCE, DTSTAMP; libical's own
    # table of what each method demands is the second opinion.
    body = message(method)
    calendar = icalendar.Calendar.from_ical(body)
    [event] = calendar.walk("VEVENT")
    assert calendar["METHOD"] == method
    assert event["ORGANIZER"] == "mailto:desk@company.example"
    assert event["ATTENDEE"].params["CN"] == "Testa; 'T' Owner"
    assert {"UID", "SEQUENCE", "DTSTAMP", "DTSTART", "SUMMARY"} <= set(event)
    assert (event["STATUS"] == "CANCELLED") == (method == "CANCEL")
    read_with_libical(body)
    [seen] = read_with_icaljs(body)
    assert seen.uid == event["UID"]


def test_libical_does_refuse_a_request_without_an_organizer() -> None:
    broken = b"".join(line for line in message().splitlines(True) if not line.startswith(b"ORGANIZER"))
    with pytest.raises(AssertionError):
        read_with_libical(broken)


@given(st.text(max_size=60))
def test_no_name_breaks_out_of_its_line(name: str) -> None:
    body = build_message(visit(), method="REQUEST", **{**PEOPLE, "attendee_name": name})  # type: ignore[arg-type]
    calendar = icalendar.Calendar.from_ical(body)
    assert len(calendar.walk("VEVENT")) == 1
    assert all(len(line) <= 75 for line in body.split(b"\r\n"))


def test_what_can_not_be_is_refused() -> None:
    with pytest.raises(ValueError, match="neither REQUEST nor CANCEL"):
        build_message(visit(), method="PUBLISH", **PEOPLE)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="does not tell of"):
        build_message(visit(), method="CANCEL", **PEOPLE)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="no mail address"):
        build_message(visit(), method="REQUEST", **{**PEOPLE, "attendee": "a b@x\r\nX:y"})  # type: ignore[arg-type]


def todo(**changes: object) -> Todo:
    """Give something to do."""
    fields = {
        "uid": UUID(int=9),
        "due_on": date(2026, 5, 4),
        "status": "NEEDS-ACTION",
        "sequence": 0,
        "changed_at": AT,
        "summary": "Lubricate the track",
        "priority": 5,
    }
    return Todo(**{**fields, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize("text", HOSTILE)
def test_to_dos_pass_the_linter_and_libical(text: str) -> None:
    entries = [
        todo(summary=text, description=text, place=text),
        todo(uid=UUID(int=10), status="COMPLETED", completed_at=AT),
        todo(uid=UUID(int=11), status="CANCELLED", priority=0),
    ]
    body = build_calendar("Work to do", entries)
    assert lint(body) == []
    calendar = icalendar.Calendar.from_ical(body)
    assert [each["STATUS"] for each in calendar.walk("VTODO")] == ["NEEDS-ACTION", "COMPLETED", "CANCELLED"]
    assert calendar.walk("VTODO")[0]["DUE"].dt == date(2026, 5, 4)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"status": "DONE"}, "has the status"),
        ({"status": "COMPLETED"}, "says when it was completed"),
        ({"completed_at": AT}, "says when it was completed"),
        ({"priority": 10}, "priority 10"),
        ({"due_on": AT}, "date without a time"),
    ],
)
def test_an_impossible_to_do_is_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        todo(**changes)


def test_the_feed_of_to_dos_follows_the_list_of_work(client: Client, scheduler: User) -> None:
    _, secret = operations.make_link(None, by=scheduler, at=AT)
    task = TaskFactory(reason="Wash the film")
    address = f"/calendar/{secret}/to-do.ics"
    first = client.get(address)
    assert b"Wash the film" in first.content
    assert b"STATUS:NEEDS-ACTION" in first.content
    assert client.get(address, headers={"if-none-match": first["ETag"]}).status_code == 304
    operations.complete_task(task, on=date(2026, 4, 30), by=None, at=AT)
    assert MaintenanceTask.objects.get().state == "completed"
    assert b"STATUS:COMPLETED" in client.get(address).content
    assert client.get("/calendar/wrong/to-do.ics").status_code == 404


def test_a_poll_after_which_nothing_changed_reads_no_visit(client: Client, scheduler: User) -> None:
    for number in range(5):
        VisitFactory(starts_at=datetime.now(UTC) + timedelta(days=number))
    _, secret = operations.make_link(None, by=scheduler, at=AT)
    address = f"/calendar/{secret}.ics"
    first = client.get(address)
    with CaptureQueriesContext(connection) as captured:
        again = client.get(address, headers={"if-none-match": first["ETag"]})
    assert again.status_code == 304
    assert not [query for query in captured.captured_queries if '"schedules_visit"."note"' in query["sql"]]
    assert client.get(address).content == first.content


CHANGES = {
    "a visit": lambda: VisitFactory(starts_at=datetime.now(UTC) + timedelta(days=2)),
    "a visit gone": lambda: Visit.objects.all()[0].delete(),
    "a change": lambda: Visit.objects.update(sequence=5, changed_at=datetime.now(UTC)),
    "a name": lambda: _rename(),
}


def _rename() -> None:
    person = User.objects.all()[0]
    User.objects.filter(pk=person.pk).update(name="Another Name")
    write_change(person, action="changed", by=None, at=AT)


@pytest.mark.parametrize("what", CHANGES)
def test_every_change_shows_at_the_next_poll(client: Client, scheduler: User, what: str) -> None:
    for number in range(2):
        made = VisitFactory(starts_at=datetime.now(UTC) + timedelta(days=number))
        made.technicians.add(scheduler)
    _, secret = operations.make_link(None, by=scheduler, at=AT)
    before = client.get(f"/calendar/{secret}.ics").content
    CHANGES[what]()
    assert client.get(f"/calendar/{secret}.ics").content != before
