"""Clock correction of phone records: a phone's clock may be wrong, and may be set right in between.

The phone sends what its clock showed when the record was made and what it shows now. The difference between
the latter and our clock is the phone's clock offset, and the moment of the record is corrected by it
(Cristian's algorithm without the round trip, which is shorter than the tolerance).

References
----------
F. Cristian, "Probabilistic clock synchronization", Distributed Computing 3 (1989), 146-158.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.utils import timezone
from django.utils.dateparse import parse_datetime

from servicedesk.core.values.typed import read_day
from servicedesk.core.values.words import count

EARLIEST, LATEST = 2000, 9998
"""Years for which a phone's clock is accepted."""
LET_PASS = timedelta(minutes=5)
"""Tolerance for clock offset and transmission, within which nothing is corrected."""


@dataclass(frozen=True)
class Recorded:
    """Time of a record by our clock, and by the phone's.

    Parameters
    ----------
    at
        The moment it was made.
    received_at
        The moment it was received.
    phone_day
        The day the phone showed when it was made; None where it showed no valid one.
    ahead
        How far the phone's clock was ahead of ours when it sent the record; negative where it was slow.
    unbelievable
        Whether the phone's moment can't be true, so that the moment of receipt replaces it.
    """

    at: datetime
    received_at: datetime
    phone_day: date | None
    ahead: timedelta
    unbelievable: bool

    @property
    def on(self) -> date:
        """Day on which it was made, in the company's time zone."""
        return timezone.localdate(self.at)

    def reported_day(self, value: object) -> str:
        """Convert a day from the phone to our clock; no day stands for the day of the record.

        A day is moved by as many days as the phone's day was out, and none lies after the record itself.
        An invalid day is returned as it is, for the form to refuse.
        """
        text = "" if value is None else str(value)
        if not text.strip():
            return str(self.on)
        day = read_day(text)
        if day is None:
            return text
        try:
            moved = day + (self.on - self.phone_day) if self.phone_day else day
        except OverflowError:
            return text
        return str(min(moved, self.on))

    @property
    def words(self) -> str:
        """Note that the phone's clock is wrong, and for which day the record counts; "" where it is right."""
        stored = f"saved for {self.on:%b} {self.on.day}"
        if abs(self.ahead) > LET_PASS:
            way = "ahead" if self.ahead > timedelta(0) else "slow"
            return f"the phone’s clock is {_span(abs(self.ahead))} {way}; {stored}"
        if self.unbelievable:
            return f"the phone’s clock was wrong when it was recorded; {stored}"
        return ""


def read_clock(*, made_at: object, sent_at: object, made_on: object, at: datetime) -> Recorded:
    """Convert the phone's times of a record received ``at`` to our clock."""
    made, sent = _moment(made_at), _moment(sent_at)
    ahead = sent - at if sent else timedelta(0)
    if abs(ahead) <= LET_PASS:
        ahead = timedelta(0)
    phone_day = read_day(made_on)
    if made is None:
        return Recorded(at, at, phone_day, ahead, unbelievable=True)
    if phone_day is None and EARLIEST <= made.year <= LATEST:
        phone_day = timezone.localdate(made)
    moment = _less(made, ahead)
    if moment is None or not EARLIEST <= moment.year <= LATEST or moment > at + LET_PASS:
        return Recorded(at, at, phone_day, ahead, unbelievable=True)
    return Recorded(min(moment, at), at, phone_day, ahead, unbelievable=False)


def _moment(value: object) -> datetime | None:
    try:
        moment = parse_datetime(value) if isinstance(value, str) else None
    except ValueError:
        return None
    return moment if moment is not None and moment.tzinfo is not None else None


def _less(moment: datetime, span: timedelta) -> datetime | None:
    try:
        return moment - span
    except OverflowError:
        return None


def _span(span: timedelta) -> str:
    """Length of time in words, in the unit that fits."""
    minutes = round(span.total_seconds() / 60)
    for size, noun in ((1440, "day"), (60, "hour"), (1, "minute")):
        if minutes >= 0.8 * size:
            return count(max(1, round(minutes / size)), noun)
    return count(minutes, "minute")
