"""Junk from phones: whatever JSON comes, an answer, and nothing half stored."""

from __future__ import annotations

import json
from typing import Any
from uuid import uuid4

import pytest
from django.db import transaction
from django.test import Client
from django.utils import timezone
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from schedules.models import MaintenanceTask, Visit
from servicedesk.calls.models import Finding, PhoneRecord
from servicedesk.field.phone_json import MOST_BYTES, MOST_DEEP, Unreadable, read_json
from tests.factories import (
    ComponentTypeFactory,
    FailureModeFactory,
    InstalledPartFactory,
    TaskFactory,
    UnitFactory,
    UserFactory,
    VisitFactory,
)
from units.models import FailureMode, Unit

pytestmark = pytest.mark.django_db

AS_IT_IS = "as it is"
"""In the place of a value that is left as a phone would write it."""

TEXT = st.text(max_size=20) | st.text(st.characters(), max_size=6).map(lambda text: text + "\ud83d")
NUMBERS = (
    st.integers(-5, 20)
    | st.sampled_from([0, -1, 2**31, 2**63 - 1, 2**63, 2**64, 10**30, -(2**63) - 1, 1e308, -0.0, 1.5])
    | st.floats()
)
DAYS = st.sampled_from(
    [
        *(
            "0001-01-01",
            "9999-12-31",
            "2026-02-30",
            "1969-12-31",
            "10000-01-01",
            "-1",
            "2026-W01-1",
            "20260101",
        ),
        *("2026-01-01T00:00", "\u0662\u0660\u0662\u0666-\u0660\u0661-\u0660\u0661", "today", "0000-00-00"),
    ]
)
JUNK = st.recursive(
    st.none() | st.booleans() | NUMBERS | TEXT | DAYS | st.just("\0") | st.just("x\0"),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=6,
)
FIELDS = {
    "finding": (
        *("unit", "visit", "call", "mode", "panel", "corner", "severity", "made_safe_how", "is_failure"),
        *("found_on", "same_as", "note", "works", "more"),
    ),
    "fine": ("unit", "site", "visit", "call", "more"),
    "work": (
        *("unit", "installed_part", "visit", "call", "work", "done_on", "note", "maker_allows", "more"),
        *("extent", "component_type", "lot", "panel", "pieces", "minutes", "finding", "payer"),
    ),
    "care": ("unit", "visit", "tasks", "more"),
    "finish": ("visit", "task_1", "part_1", "pieces_1", "until_1", "safe_1", "ended_at", "note"),
}
changed = st.sampled_from(sorted(FIELDS)).flatmap(
    lambda kind: st.tuples(
        st.just(kind), st.dictionaries(st.sampled_from(FIELDS[kind]), JUNK, min_size=1, max_size=3)
    )
)


@pytest.fixture
def unit() -> Unit:
    """A unit with a track and a mode it can have."""
    made: Unit = UnitFactory(panels=3)
    InstalledPartFactory(unit=made, component_type=ComponentTypeFactory(kind="track"))
    FailureModeFactory(kind="track", name="binds", code="TRK-01")
    visit = VisitFactory(site=made.site, state="confirmed")
    visit.technicians.add(UserFactory())
    visit.visit_tasks.create(task=TaskFactory(unit=made, state="in-process"))
    return made


def record(unit: Unit, kind: str) -> dict[str, Any]:
    """Make a record that is taken, as a phone does."""
    today = str(timezone.localdate())
    bodies: dict[str, dict[str, Any]] = {
        "finding": {
            "mode": FailureMode.objects.get().pk,
            "severity": "hinders",
            "panel": 2,
            "found_on": today,
            "works": ["cleaned"],
        },
        "fine": {},
        "work": {"work": "cleaned", "done_on": today},
        "care": {"tasks": [MaintenanceTask.objects.get().pk]},
        "finish": {"visit": Visit.objects.get().pk, f"task_{MaintenanceTask.objects.get().pk}": "done"},
    }
    body = {"unit": unit.pk, **bodies[kind]}
    return {"key": str(uuid4()), "kind": kind, "made_at": timezone.now().isoformat(), "body": body}


def send(client: Client, payload: Any) -> tuple[int, dict[str, Any]]:
    """Send anything to the inbox, and take back what it did."""
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    with transaction.atomic():
        before = PhoneRecord.objects.count()
        answer = client.post("/field/inbox/", body, content_type="application/json")
        assert PhoneRecord.objects.count() - before == (answer.status_code == 200)
        transaction.set_rollback(True)
    return answer.status_code, answer.json()


@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changed, st.booleans())
@example(("finding", {"works": 5}), False)
@example(("finding", {"works": {"cleaned": 1}}), False)
@example(("finding", {"note": "half an emoji \ud83d"}), False)
@example(("finding", {"more": float("nan")}), False)
@example(("finding", {"more": "\0"}), False)
@example(("finding", {"found_on": "0001-01-01"}), False)
@example(("finding", {"found_on": "9999-12-31"}), False)
@example(("finding", {"mode": "9" * 5000}), False)
@example(("finding", {"panel": "\x1f"}), False)
@example(("finding", {"panel": "1\n\x00\u202e2"}), False)
@example(("fine", {"unit": 2**63}), False)
@example(("work", {"done_on": 20260101}), False)
@example(("work", {"done_on": ["2026-01-01"]}), False)
@example(("work", {"done_on": "0001-01-01"}), False)
@example(("finish", {"ended_at": "25:61"}), True)
@example(("care", {"tasks": [None, {"a": 1}, 2**70]}), False)
def test_a_record_with_junk_in_it_is_taken_or_refused(
    as_technician: Client, unit: Unit, changes: tuple[str, dict[str, Any]], settle: bool
) -> None:
    kind, junk = changes
    payload = record(unit, kind)
    payload["body"] |= junk
    payload["settle"] = settle
    status, said = send(as_technician, payload)
    assert status in ({200, 400} if settle else {200, 400, 422})
    assert said["state"] in {"received", "unreadable", "needs answer"}
    assert all(ord(character) >= 32 for character in said["words"])


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(
        st.sampled_from(["key", "kind", "made_at", "made_on", "sent_at", "settle", "body", "more"]),
        JUNK,
        max_size=4,
    )
    | JUNK
)
@example({"kind": ["finding"]})
@example({"kind": {}})
@example({"made_at": "0001-01-01T00:00:00+14:00"})
@example({"made_at": "9999-12-31T23:59:59-12:00"})
@example({"made_at": "2026-02-30T00:00:00Z"})
@example({"key": "urn:uuid:12345678123456781234567812345678"})
def test_a_frame_with_junk_in_it_is_taken_or_refused(as_technician: Client, unit: Unit, junk: Any) -> None:
    payload = {**record(unit, "fine"), **junk} if isinstance(junk, dict) else junk
    status, said = send(as_technician, payload)
    assert status in {200, 400, 422}
    assert said["state"] in {"received", "unreadable", "needs answer"}


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200), st.floats(0, 1), st.booleans())
def test_any_bytes_in_a_record_are_answered(
    as_technician: Client, unit: Unit, junk: bytes, place: float, alone: bool
) -> None:
    content = json.dumps(record(unit, "finding")).encode()
    cut = int(place * len(content))
    status, _ = send(as_technician, junk if alone else content[:cut] + junk + content[cut:])
    assert status in {200, 400, 422}


def test_half_an_emoji_costs_a_character_and_not_the_finding(as_technician: Client, unit: Unit) -> None:
    payload = record(unit, "finding")
    payload["body"]["note"] = "squeaks\0 \ud83d"
    answer = as_technician.post("/field/inbox/", json.dumps(payload), content_type="application/json")
    assert answer.status_code == 200
    assert Finding.objects.get().note == "squeaks \N{REPLACEMENT CHARACTER}"


def test_a_phone_with_a_wrong_clock_is_still_heard(as_technician: Client, unit: Unit) -> None:
    for when in ("0001-01-01T00:00:00+14:00", "1970-01-01T00:00:00Z", "9999-12-31T23:59:59-12:00"):
        payload = {**record(unit, "work"), "made_at": when}
        answer = as_technician.post("/field/inbox/", json.dumps(payload), content_type="application/json")
        assert answer.status_code == 200
    assert all(
        abs(stored.made_at - stored.received_at).total_seconds() < 1 for stored in PhoneRecord.objects.all()
    )


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"5",
        b'"finding"',
        b"[]",
        b'{"a": 1, "a": 2}',
        b'{"a": {"b": 1, "b": 1}}',
        b'{"a": NaN}',
        b'{"a": -Infinity}',
        b'{"a": 1e999}',
        b'{"a": ' + b"9" * 5000 + b"}",
        b'{"a":' * MOST_DEEP + b"1" + b"}" * MOST_DEEP,
        b'{"a":' * 10_000 + b"1" + b"}" * 10_000,
        b'{"a":' + b"[" * 60_000,
        b'{"a": "\xff"}',
        b'{"a": 1}' + b" " * MOST_BYTES,
        '{"a": 1}'.encode("utf-16"),
    ],
)
def test_what_is_no_json_of_a_phone_is_unreadable(body: bytes) -> None:
    if body.startswith(b"\xff\xfe"):
        assert read_json(body) == {"a": 1}  # RFC 8259 wants UTF-8; the reader of Python takes both
        return
    with pytest.raises(Unreadable):
        read_json(body)


@given(JUNK)
def test_all_that_is_read_can_be_stored(value: Any) -> None:
    try:
        parsed = read_json(json.dumps({"a": value}).encode())
    except Unreadable:
        return
    written = json.dumps(parsed, ensure_ascii=False, allow_nan=False)
    assert written.encode()
    assert "\\u0000" not in written
