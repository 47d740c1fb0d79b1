"""Our feeds in Radicale: a calendar server takes them whole and gives every entry back."""

from __future__ import annotations

import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import UUID

import icalendar
import pytest

from schedules.calendars.entries import Todo
from schedules.calendars.ical import build_calendar
from tests.schedules.calendar_entries import HOSTILE, due, visit
from tests.schedules.installation import Installation, free_port

AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[str]:
    """A calendar server of our own, open to everybody on the loopback address."""
    port = free_port()
    folder = tmp_path / "collections"
    options = ["--server-hosts", f"127.0.0.1:{port}", "--auth-type", "none", "--rights-type", "authenticated"]
    command = [sys.executable, "-m", "radicale", *options, "--storage-filesystem-folder", str(folder)]
    with Installation(tmp_path).running(*command, "--config", "", ready="Radicale server ready"):
        yield f"http://127.0.0.1:{port}/testa/visits/"


def ask(address: str, method: str, body: bytes | None = None) -> bytes:
    """Ask a server as somebody called testa."""
    request = urllib.request.Request(address, data=body, method=method)  # noqa: S310 - our own server
    request.add_header("Content-Type", "text/calendar; charset=utf-8")
    request.add_header("Authorization", "Basic dGVzdGE6dGVzdGE=")
    with urllib.request.urlopen(request, timeout=20) as answer:  # noqa: S310
        content: bytes = answer.read()
        return content


def test_radicale_keeps_every_entry(server: str) -> None:
    entries = [
        visit(uid=UUID(int=number), summary=text, description=text, place=text)
        for number, text in enumerate(HOSTILE, start=1)
    ]
    entries += [visit(uid=UUID(int=900), status="CANCELLED", sequence=3)]
    others = [
        due(uid=UUID(int=901)),
        Todo(
            uid=UUID(int=902),
            due_on=date(2026, 5, 4),
            status="COMPLETED",
            completed_at=AT - timedelta(days=1),
            sequence=1,
            changed_at=AT,
            summary="Wash the film",
        ),
    ]
    body = build_calendar("Visits", [*entries, *others])
    ask(server, "PUT", body)
    back = icalendar.Calendar.from_ical(ask(server, "GET"))
    sent = icalendar.Calendar.from_ical(body)

    names = ("SUMMARY", "STATUS", "SEQUENCE", "LOCATION")

    def shown(calendar: icalendar.Calendar) -> dict[str, tuple[str, ...]]:
        return {
            str(each["UID"]): tuple(str(each.get(name)) for name in names)
            for each in calendar.walk()
            if each.name in {"VEVENT", "VTODO"}
        }

    assert shown(back) == shown(sent)
    assert len(shown(back)) == len(entries) + 2


def test_radicale_does_refuse_a_broken_feed(server: str) -> None:
    broken = build_calendar("Visits", [visit()]).replace(b"END:VEVENT\r\n", b"")
    with pytest.raises(urllib.error.HTTPError, match="400"):
        ask(server, "PUT", broken)
