"""Our feeds in the hands of independent readers: what they see must be what was put in.

None of the readers shares code with the writer, save icalendar, which wrote the bytes. For each there is also
a broken feed that it is known to refuse, so that its silence on ours means something.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest

from schedules.calendars.entries import DueEvent, VisitEvent
from schedules.calendars.ical import UID_HOST, build_calendar, many_lines, one_line
from tests.schedules.calendar_entries import HOSTILE, due, visit
from tests.schedules.loopback import serve_feed
from tests.schedules.readers import (
    ReaderError,
    SeenEvent,
    as_published,
    list_with_khal,
    read_with_icalendar,
    read_with_icaljs,
    read_with_libical,
    read_with_vobject,
)

READERS = [read_with_icalendar, read_with_vobject, read_with_icaljs, read_with_libical]
Reader = Callable[[bytes], list[SeenEvent]]
NEW_YORK = ZoneInfo("America/New_York")

# The day the clocks go forward, the hour that comes twice, a visit over midnight in UTC, one cancelled.
VISITS = [
    visit(
        starts_at=datetime(2026, 3, 8, 3, 30, tzinfo=NEW_YORK),
        ends_at=datetime(2026, 3, 8, 5, 0, tzinfo=NEW_YORK),
        place="12 Elm Street\nMiddletown",
        latitude=42.123456,
        longitude=-71.5,
        url="https://desk.invalid/visits/1,2;3/?a=b&c=d",
        description="Unit 2: cord, 1/8 inch; bring two.\nKeep C:\\New for the photographs.",
    ),
    visit(
        uid=UUID(int=2),
        starts_at=datetime(2026, 11, 1, 1, 30, tzinfo=NEW_YORK, fold=1),
        ends_at=datetime(2026, 11, 1, 2, 30, tzinfo=NEW_YORK),
        status="TENTATIVE",
        sequence=4,
    ),
    visit(
        uid=UUID(int=3),
        starts_at=datetime(2026, 7, 1, 19, 30, tzinfo=NEW_YORK),
        ends_at=datetime(2026, 7, 1, 21, 0, tzinfo=NEW_YORK),
        status="CANCELLED",
        summary="Replace corner key \u2014 ma\u00f1ana \U0001fa9f",
    ),
]
DUE = [due(uid=UUID(int=4), due_on=date(2028, 2, 29)), due(uid=UUID(int=5), due_on=date(2026, 12, 31))]


def as_seen(entry: VisitEvent | DueEvent) -> SeenEvent:
    """Say what a faithful reader sees of an entry."""
    mark = ""
    starts: datetime | date
    ends: datetime | date
    if isinstance(entry, VisitEvent):
        starts, ends = entry.starts_at.astimezone(UTC), entry.ends_at.astimezone(UTC)
        mark = "CANCELED: " if entry.status == "CANCELLED" else ""
    else:
        starts, ends = entry.due_on, entry.due_on + timedelta(days=1)
    return SeenEvent(
        uid=f"{entry.uid}@{UID_HOST}",
        summary=mark + one_line(entry.summary),
        description=many_lines(entry.description),
        location=one_line(entry.place, joined_by=", "),
        starts=starts,
        ends=ends,
        status=entry.status if isinstance(entry, VisitEvent) else None,
        sequence=entry.sequence,
    )


def by_uid(events: list[SeenEvent]) -> dict[str | None, SeenEvent]:
    """Look events up by their UID, of which each must be seen once."""
    seen = {event.uid: event for event in events}
    assert len(seen) == len(events)
    return seen


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("prepare", [bytes, as_published])
def test_readers_see_the_visits_and_the_due_care(read: Reader, prepare: Callable[[bytes], bytes]) -> None:
    entries = [*VISITS, *DUE]
    body = prepare(build_calendar("Visits of Ada", entries, color="teal"))
    assert by_uid(read(body)) == by_uid([as_seen(entry) for entry in entries])


@pytest.mark.parametrize("read", READERS)
def test_readers_see_hostile_text_as_cleaned(read: Reader) -> None:
    entries = [
        visit(uid=UUID(int=number), summary=f"x{text}", place=f"x{text}", description=f"x{text}x")
        for number, text in enumerate(HOSTILE)
    ]
    body = build_calendar("x", entries)
    assert by_uid(read(body)) == by_uid([as_seen(entry) for entry in entries])


@pytest.mark.parametrize("read", READERS)
def test_readers_take_an_empty_calendar_for_one_without_entries(read: Reader) -> None:
    assert read(build_calendar("Visits of Ada", [])) == []


BROKEN = [
    (read_with_icalendar, b"DTSTART:20260504T130000Z", b"DTSTART:20260230T130000Z"),
    (read_with_vobject, b"DTSTAMP:20260402T083000Z\r\n", b""),
    (read_with_icaljs, b"SUMMARY:Clean", b"SUMMARY:Clean\r\nand"),
    (read_with_libical, b"PRODID:-//Sashkeep//Calendar feed//EN\r\n", b""),
]


@pytest.mark.parametrize(("read", "old", "new"), BROKEN)
def test_readers_refuse_what_is_broken(read: Reader, old: bytes, new: bytes) -> None:
    body = build_calendar("x", [visit()])
    assert old in body
    with pytest.raises(ReaderError):
        read(body.replace(old, new))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"DTSTAMP:20260402T083000Z\r\n", b""),
        (b"DTSTART:20260504T130000Z\r\n", b""),
        (b"STATUS:CONFIRMED", b"STATUS:COMPLETED"),
        (b"SEQUENCE:0\r\n", b"SEQUENCE:0\r\nSEQUENCE:1\r\n"),
    ],
)
def test_libical_checks_more_in_a_published_calendar(old: bytes, new: bytes) -> None:
    body = as_published(build_calendar("x", [visit()]))
    assert old in body
    with pytest.raises(ReaderError, match="libical"):
        read_with_libical(body.replace(old, new))


# --- a subscriber at a terminal --------------------------------------------------------------------

YEAR = {"first": date(2026, 1, 1), "until": date(2027, 1, 1)}


def as_listed(entries: list[VisitEvent | DueEvent]) -> list[tuple[object, ...]]:
    """Say what khal tells of entries, in order."""
    return sorted((str(seen.starts), *told(seen)) for seen in map(as_seen, entries))


def told(seen: SeenEvent) -> tuple[object, ...]:
    """Keep what khal tells of an event."""
    return str(seen.ends), seen.summary, seen.description, seen.location


def test_a_subscriber_lists_the_visits_and_follows_their_changes(tmp_path: Path) -> None:
    moved = visit(
        starts_at=datetime(2026, 6, 1, 15, 0, tzinfo=UTC), ends_at=datetime(2026, 6, 1, 16, 0, tzinfo=UTC)
    )
    first: list[VisitEvent | DueEvent] = [*VISITS, DUE[1]]
    then: list[VisitEvent | DueEvent] = [moved, *VISITS[2:], visit(uid=UUID(int=9), status="CANCELLED")]
    with serve_feed(build_calendar("Visits", first)) as server:
        seen = list_with_khal(server.url, tmp_path, **YEAR)
        assert sorted((str(event.starts), *told(event)) for event in seen) == as_listed(first)
        server.body = build_calendar("Visits", then)
        seen = list_with_khal(server.url, tmp_path, **YEAR)
        assert sorted((str(event.starts), *told(event)) for event in seen) == as_listed(then)


def test_a_subscriber_accepts_an_empty_calendar_and_sees_it_fill(tmp_path: Path) -> None:
    with serve_feed(build_calendar("Visits", [])) as server:
        assert list_with_khal(server.url, tmp_path, **YEAR) == []
        server.body = build_calendar("Visits", VISITS)
        assert len(list_with_khal(server.url, tmp_path, **YEAR)) == len(VISITS)


def test_a_subscriber_is_not_taken_in_by_hostile_text(tmp_path: Path) -> None:
    # Each visit has its own place: vdirsyncer takes events that differ in nothing but UID and stamp for one.
    hostile = [
        visit(uid=UUID(int=number), summary=f"x{text}", description=text, place=f"{number} Elm Street")
        for number, text in enumerate(HOSTILE)
    ]
    with serve_feed(build_calendar("Visits", hostile)) as server:
        seen = list_with_khal(server.url, tmp_path, **YEAR)
    assert {event.location: (event.summary, event.description) for event in seen} == {
        entry.place: (one_line(entry.summary), many_lines(entry.description)) for entry in hostile
    }


def test_a_calendar_with_a_uid_of_its_own_would_lose_visits_on_the_way(tmp_path: Path) -> None:
    # RFC 7986 section 5.3 allows the property; vdirsyncer then keeps the whole calendar as one event.
    body = build_calendar("Visits", VISITS).replace(b"VERSION:2.0\r\n", b"VERSION:2.0\r\nUID:all\r\n")
    with serve_feed(body) as server:
        assert len(list_with_khal(server.url, tmp_path, **YEAR)) < len(VISITS)


def test_a_subscriber_reports_a_feed_it_cannot_read(tmp_path: Path) -> None:
    marked = b"\xef\xbb\xbf" + build_calendar("Visits", VISITS)
    with serve_feed(marked) as server, pytest.raises(ReaderError, match="vdirsyncer"):
        list_with_khal(server.url, tmp_path, **YEAR)
