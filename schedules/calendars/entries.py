"""Entries of a calendar feed (visits, due maintenance, to-dos) as dataclasses that validate themselves.

This module is pure, like `schedules.calendars.ical`, which writes the feeds.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Literal, get_args
from uuid import UUID

VisitStatus = Literal["TENTATIVE", "CONFIRMED", "CANCELLED"]
TodoStatus = Literal["NEEDS-ACTION", "IN-PROCESS", "COMPLETED", "CANCELLED"]

_WEB_ADDRESS = re.compile(r"https?://[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=%]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitEvent:
    """A visit as a calendar event of RFC 5545 section 3.6.1.

    `place` is an address line. Gate codes and telephone numbers do not belong in `description`: whoever runs
    the calendar service reads the feed. Empty texts and an empty `url` are left out.

    Raises
    ------
    ValueError
        When a moment has no time zone, the visit ends before it starts, the status is none of the three of
        RFC 5545 section 3.8.1.11, or the position, the sequence or the web address is invalid.
    """

    uid: UUID
    starts_at: datetime
    ends_at: datetime
    status: VisitStatus
    sequence: int
    changed_at: datetime
    created_at: datetime
    summary: str
    place: str = ""
    latitude: float | Decimal | None = None
    longitude: float | Decimal | None = None
    description: str = ""
    url: str = ""

    def __post_init__(self) -> None:
        for field in ("starts_at", "ends_at", "changed_at", "created_at"):
            _check_moment(getattr(self, field), of=f"Visit {self.uid}", field=field)
        if in_utc(self.ends_at) <= in_utc(self.starts_at):
            raise ValueError(
                f"Visit {self.uid} ends at {self.ends_at.isoformat()}, not after it starts at "
                f"{self.starts_at.isoformat()}: give an end at least a second later."
            )
        if self.status not in get_args(VisitStatus):
            raise ValueError(
                f"Visit {self.uid} has the status {self.status!r}: give TENTATIVE, CONFIRMED or CANCELLED."
            )
        _check_sequence_and_url(self.sequence, self.url, of=f"Visit {self.uid}")
        _check_position(self.latitude, self.longitude, of=f"Visit {self.uid}")


@dataclass(frozen=True, slots=True, kw_only=True)
class DueEvent:
    """Maintenance due on a day, as an all-day event that leaves the day free.

    Meant for a second feed beside the visits: common calendars do not show the to-dos of RFC 5545 at all.

    Raises
    ------
    ValueError
        When the moment of change has no time zone, the due day has a time of day, or the sequence or the web
        address is invalid.
    """

    uid: UUID
    due_on: date
    sequence: int
    changed_at: datetime
    summary: str
    description: str = ""
    place: str = ""
    url: str = ""

    def __post_init__(self) -> None:
        _check_moment(self.changed_at, of=f"Due care {self.uid}", field="changed_at")
        if isinstance(self.due_on, datetime) or self.due_on == date.max:
            raise ValueError(
                f"Due care {self.uid} falls on {self.due_on.isoformat()}: give a date without a time, "
                "before the last day of the calendar."
            )
        _check_sequence_and_url(self.sequence, self.url, of=f"Due care {self.uid}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Todo:
    """A task with a due day, as a to-do of RFC 5545 section 3.6.2.

    Raises
    ------
    ValueError
        When a moment has no time zone, the status is none of section 3.8.1.11, a completed to-do has no
        completion time (or another one has), or the priority, the sequence or the web address is invalid.
    """

    uid: UUID
    due_on: date
    status: TodoStatus
    sequence: int
    changed_at: datetime
    summary: str
    completed_at: datetime | None = None
    priority: int = 0
    description: str = ""
    place: str = ""
    url: str = ""

    def __post_init__(self) -> None:
        of = f"To-do {self.uid}"
        _check_moment(self.changed_at, of=of, field="changed_at")
        if isinstance(self.due_on, datetime):
            raise ValueError(f"{of} is due at {self.due_on.isoformat()}: give a date without a time.")
        if self.status not in get_args(TodoStatus):
            raise ValueError(f"{of} has the status {self.status!r}: give one of {get_args(TodoStatus)}.")
        if (self.completed_at is not None) != (self.status == "COMPLETED"):
            raise ValueError(f"{of}: a completed to-do, and no other, says when it was completed.")
        if self.completed_at is not None:
            _check_moment(self.completed_at, of=of, field="completed_at")
        if not 0 <= self.priority <= 9:
            raise ValueError(
                f"{of} has the priority {self.priority}: give 1 (first) to 9 (last), or 0 for none."
            )
        _check_sequence_and_url(self.sequence, self.url, of=of)


Entry = VisitEvent | DueEvent | Todo


def in_utc(moment: datetime) -> datetime:
    """Convert a moment to UTC, cut to the second: iCalendar has no finer time."""
    return moment.astimezone(UTC).replace(microsecond=0)


def _check_moment(moment: datetime, *, of: str, field: str) -> None:
    """Refuse a moment without a time zone, or outside the years 1 to 9999 in UTC."""
    if moment.utcoffset() is None:
        raise ValueError(f"{of}: {field} has no time zone. Give an aware moment, such as one in UTC.")
    try:
        in_utc(moment)
    except OverflowError:
        raise ValueError(
            f"{of}: {field} is {moment.isoformat()}, which in UTC lies before year 1 or after 9999."
        ) from None


def _check_sequence_and_url(sequence: int, url: str, *, of: str) -> None:
    """Refuse a negative sequence and a URL that a calendar line cannot carry."""
    if sequence < 0:
        raise ValueError(f"{of} has the sequence {sequence}: count its changes from 0 up.")
    if url and not _WEB_ADDRESS.fullmatch(url):
        raise ValueError(f"{of} has the address {url!r}: give a full http or https address in plain ASCII.")


def _check_position(latitude: float | Decimal | None, longitude: float | Decimal | None, *, of: str) -> None:
    """Refuse half a position, and coordinates out of range."""
    if latitude is None and longitude is None:
        return
    if latitude is None or longitude is None:
        raise ValueError(f"{of} has only half a position: give latitude and longitude, or neither.")
    if not (-90 <= float(latitude) <= 90 and -180 <= float(longitude) <= 180):
        raise ValueError(
            f"{of} lies at {latitude}, {longitude}: give a latitude from -90 to 90 and a longitude from "
            "-180 to 180, in degrees."
        )
