"""The smallest valid visits and due care of the calendar tests, texts that mean harm, and a body's lines."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from schedules.calendars.entries import DueEvent, VisitEvent

VISIT_UID = UUID("6f0c5d0e-6d53-4c5e-9f1e-2f6f4d1f7a01")
DUE_UID = UUID("b7c1b1d2-0c9f-4a3c-8d56-0d9b8f0e5c02")

# Line breaks that would end a property, escapes, control characters, halves of surrogate pairs, writing
# directions that are never closed, and lengths that fold many times.
HOSTILE = [
    "x\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nSUMMARY:injected",
    "x\nBEGIN:VEVENT\nx\rEND:VCALENDAR",
    "C:\\New\\n \\N \\, \\; \\\\ trailing \\",
    'a,b;c:d"e"^f%2C=g',
    "\x00\x01\x07\x0b\x0c\x1b[31mred\x1b[0m\x7f\x85\x9f",
    "line\u2028separator\u2029paragraph",
    "\ufeffmark in front and \ufeff within",
    "half a pair \ud83e and the other \udd9f",
    "\u202eoverride never closed",
    "\u05e9\u05dc\u05d5\u05dd\u200f (\u200fRTL marks\u200e) \u0645\u0631\u062d\u0628\u0627",
    "\U0001fa9f\U0001f468\u200d\U0001f527 \u1112\u1161\u11ab e\u0301" * 40,
    "\u20ac" * 3400,
    "q" * 10_000,
    "\\" * 5_001,
    ("\\," * 33 + "\n") * 60,
    " \t ",
    "",
]


def visit(**changes: Any) -> VisitEvent:
    """Make a confirmed visit of an hour on May 4, 2026."""
    fields: dict[str, Any] = {
        "uid": VISIT_UID,
        "starts_at": datetime(2026, 5, 4, 13, 0, tzinfo=UTC),
        "ends_at": datetime(2026, 5, 4, 14, 0, tzinfo=UTC),
        "status": "CONFIRMED",
        "sequence": 0,
        "changed_at": datetime(2026, 4, 2, 8, 30, tzinfo=UTC),
        "created_at": datetime(2026, 4, 1, 9, 0, tzinfo=UTC),
        "summary": "Clean and oil tracks",
    }
    return VisitEvent(**{**fields, **changes})


def due(**changes: Any) -> DueEvent:
    """Make care due on May 4, 2026."""
    fields: dict[str, Any] = {
        "uid": DUE_UID,
        "due_on": date(2026, 5, 4),
        "sequence": 0,
        "changed_at": datetime(2026, 4, 2, 8, 30, tzinfo=UTC),
        "summary": "Wash screens",
    }
    return DueEvent(**{**fields, **changes})


def lines_of(body: bytes) -> list[str]:
    """Give the unfolded lines of a body."""
    return body.decode().replace("\r\n ", "").split("\r\n")


def event_lines(body: bytes) -> list[str]:
    """Give the unfolded lines of the one event in a body, in any order but sorted."""
    lines = lines_of(body)
    return sorted(lines[lines.index("BEGIN:VEVENT") + 1 : lines.index("END:VEVENT")])
