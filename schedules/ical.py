"""Calendar feeds by RFC 5545 and RFC 7986, written from plain data.

This module is pure: frozen dataclasses in, bytes out, no Django, no clock. The same events give the same
bytes in whatever order they come, so that a hash of the body serves as its entity tag.

What a feed must look like, and why:

- DTSTAMP is the moment of the last change, never now: a moving stamp makes every poll look like a change.
- SEQUENCE and LAST-MODIFIED go together; readers differ in which of the two they believe.
- A cancelled visit stays in the feed, marked in STATUS and in words, since some readers heed only one.
- METHOD stays out (RFC 5546 would then demand an ORGANIZER), and so does a UID of the whole calendar: one
  synchroniser takes a calendar with a UID for a single event.
- Moments are in UTC, so that no time zone has to travel with them. There are no alarms and no attachments:
  subscriptions ignore the first, and photos must not leak along with the link.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Literal, TypeVar, get_args
from uuid import UUID

from icalendar import Calendar, Event, Timezone, TimezoneStandard
from icalendar import Todo as IcalTodo
from icalendar.prop import vCalAddress, vDuration, vGeo, vText, vUri

Written = TypeVar("Written", Event, IcalTodo)

VisitStatus = Literal["TENTATIVE", "CONFIRMED", "CANCELLED"]
TodoStatus = Literal["NEEDS-ACTION", "IN-PROCESS", "COMPLETED", "CANCELLED"]

UID_HOST = "sashkeep.invalid"
"""Host part of every UID: fixed, and under a top-level name that nobody can own (RFC 2606)."""

PRODUCT = "-//Sashkeep//Calendar feed//EN"

# The colour names of CSS Color Module Level 3, section 4.3, the only ones RFC 7986 section 5.9 allows.
CSS3_COLOURS = frozenset(
    """
    aliceblue antiquewhite aqua aquamarine azure beige bisque black blanchedalmond blue blueviolet brown
    burlywood cadetblue chartreuse chocolate coral cornflowerblue cornsilk crimson cyan darkblue darkcyan
    darkgoldenrod darkgray darkgreen darkgrey darkkhaki darkmagenta darkolivegreen darkorange darkorchid
    darkred darksalmon darkseagreen darkslateblue darkslategray darkslategrey darkturquoise darkviolet
    deeppink deepskyblue dimgray dimgrey dodgerblue firebrick floralwhite forestgreen fuchsia gainsboro
    ghostwhite gold goldenrod gray green greenyellow grey honeydew hotpink indianred indigo ivory khaki
    lavender lavenderblush lawngreen lemonchiffon lightblue lightcoral lightcyan lightgoldenrodyellow
    lightgray lightgreen lightgrey lightpink lightsalmon lightseagreen lightskyblue lightslategray
    lightslategrey lightsteelblue lightyellow lime limegreen linen magenta maroon mediumaquamarine
    mediumblue mediumorchid mediumpurple mediumseagreen mediumslateblue mediumspringgreen mediumturquoise
    mediumvioletred midnightblue mintcream mistyrose moccasin navajowhite navy oldlace olive olivedrab
    orange orangered orchid palegoldenrod palegreen paleturquoise palevioletred papayawhip peachpuff peru
    pink plum powderblue purple red rosybrown royalblue saddlebrown salmon sandybrown seagreen seashell
    sienna silver skyblue slateblue slategray slategrey snow springgreen steelblue tan teal thistle tomato
    turquoise violet wheat white whitesmoke yellow yellowgreen
    """.split()  # noqa: SIM905 - one quoted name a line would bury the module under its colours
)

_MAIL_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9.-]+")
_WEB_ADDRESS = re.compile(r"https?://[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=%]+")
# Control characters have no place in iCalendar text (RFC 5545 section 3.1). An embedding or override of
# the writing direction that is never closed would turn round the words beside it; single marks may stay.
_STRIPPED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufeff]")
# Half of a surrogate pair has no UTF-8 form, and the last two code points are refused by XML, in which
# calendar servers wrap what they pass on.
_UNWRITABLE = re.compile("[\ud800-\udfff\ufffe\uffff]")


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitEvent:
    """A visit as it appears in somebody's calendar.

    `place` is an address line. Gate codes and telephone numbers do not belong in `description`: whoever runs
    the calendar service reads the feed. Empty texts and an empty `url` are left out.

    Raises
    ------
    ValueError
        When a moment has no time zone, the visit ends before it starts, the status is none of the three of
        RFC 5545 section 3.8.1.11, or the position, the sequence or the web address cannot be.
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
        if _in_utc(self.ends_at) <= _in_utc(self.starts_at):
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
    """Care that is due on a day, as an all-day entry that leaves the day free.

    Meant for a second feed beside the visits: common calendars do not show the to-dos of RFC 5545 at all.

    Raises
    ------
    ValueError
        When the moment of change has no time zone, the due day has a time of day, or the sequence or the web
        address cannot be.
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
    """Something to do by a day, as a to-do of RFC 5545 section 3.6.2.

    Raises
    ------
    ValueError
        When a moment has no time zone, the status is none of section 3.8.1.11, one that is done says not when
        (or one that is not done does), or the priority, the sequence or the web address cannot be.
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


def build_message(
    visit: VisitEvent,
    *,
    method: Literal["REQUEST", "CANCEL"],
    organizer: str,
    organizer_name: str,
    attendee: str,
    attendee_name: str,
) -> bytes:
    """Write an invitation to a visit, its update or its cancellation (iTIP, RFC 5546), for a mail.

    The same visit keeps its UID, so that an update with a higher sequence takes the place of what the
    customer's calendar holds. No answer is asked for: the link in the letter is the way to one.

    Raises
    ------
    ValueError
        When the method is neither, an address is none, or a cancellation is of a visit that is not cancelled.
    """
    if method not in ("REQUEST", "CANCEL"):
        raise ValueError(f"The method {method!r} is neither REQUEST nor CANCEL.")
    if (method == "CANCEL") != (visit.status == "CANCELLED"):
        raise ValueError(f"Visit {visit.uid} is {visit.status}, which a {method} does not tell of.")
    calendar = Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", PRODUCT)
    calendar.add("method", method)
    event = _visit(visit)
    event.add("organizer", _person(organizer, organizer_name))
    guest = _person(attendee, attendee_name)
    guest.params["ROLE"] = "REQ-PARTICIPANT"
    guest.params["RSVP"] = "FALSE"
    event.add("attendee", guest)
    calendar.add_component(event)
    body: bytes = calendar.to_ical()
    return body


def _person(address: str, name: str) -> vCalAddress:
    """Write somebody by their mail address (RFC 5545 section 3.3.3), with the name they go by."""
    if not _MAIL_ADDRESS.fullmatch(address):
        raise ValueError(f"{address!r} is no mail address: write it like name@example.org.")
    person = vCalAddress(f"mailto:{address}")
    # A quoted parameter value holds no quotation mark (RFC 5545 section 3.1).
    person.params["CN"] = one_line(name).replace('"', "'") or address
    return person


def build_calendar(
    name: str,
    events: Iterable[Entry],
    *,
    color: str | None = None,
    refresh: timedelta = timedelta(hours=4),
) -> bytes:
    """Write a calendar that other programs can subscribe to.

    Parameters
    ----------
    name
        What the calendar is called in the list of calendars.
    events
        The entries, in any order; each UID once.
    color
        A colour name of CSS Color Module Level 3, for readers that heed it.
    refresh
        How often a reader is asked to look again. It is a hint: some look a few times a day at best.

    Returns
    -------
    bytes
        The calendar in UTF-8 without byte order mark, lines folded at 75 octets and ended by CRLF.

    Notes
    -----
    A calendar without entries would be invalid, since RFC 5545 section 3.4 demands a component. An entry that
    says "nothing planned" would show up as an appointment, and an error would leave yesterday's visits
    standing. So an empty calendar carries the one component that shows nothing: the time zone of UTC.

    Raises
    ------
    ValueError
        When the name is empty, the colour unknown, the refresh shorter than a minute, or a UID comes twice.
    """
    title = one_line(name)
    if not title:
        raise ValueError("The calendar has no name: say whose visits it shows.")
    calendar = Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", PRODUCT)
    calendar.add("name", _Text(title))
    calendar.add("x-wr-calname", _Text(title))
    if color is not None:
        calendar.add("color", _Text(_known_colour(color)))
    hint = _whole_minutes(refresh)
    # RFC 7986 section 5.7 gives this property no default type, hence the parameter.
    calendar.add("refresh-interval", hint, parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", vDuration(hint))
    in_order = sorted(events, key=_place_in_calendar)
    _check_uids_differ(in_order)
    for event in in_order:
        calendar.add_component(_component(event))
    if not in_order:
        calendar.add_component(_time_zone_utc())
    body: bytes = calendar.to_ical()
    return body


def body_etag(body: bytes) -> str:
    """Give the entity tag of a feed: quoted as HTTP wants it, new exactly when the bytes are."""
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def many_lines(text: str) -> str:
    """Clean a text of what no calendar can carry, keeping its line breaks and tabs."""
    cleaned = (_UNWRITABLE.sub("\ufffd", _STRIPPED.sub("", line)) for line in text.splitlines())
    return "\n".join(cleaned).strip()


def one_line(text: str, *, joined_by: str = " ") -> str:
    """Clean a text and put it on one line, as a title or an address needs."""
    lines = (line.replace("\t", " ").strip() for line in many_lines(text).split("\n"))
    return joined_by.join(line for line in lines if line)


class _Text(vText):
    """Text that keeps a backslash before a capital N.

    The library's own escaping takes that pair for a line break and would turn `C:\\New` into `C:` and `ew`.
    """

    def to_ical(self) -> bytes:
        """Escape as RFC 5545 section 3.3.11 says: backslash first, then the separators and line breaks."""
        escaped = self.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")
        return escaped.encode()


class _Position(vGeo):
    """A position with the six decimals of RFC 5545 section 3.8.1.6.

    The library would write a degree close to nought with an exponent, which the standard does not know.
    """

    def to_ical(self) -> str:
        """Write latitude, semicolon, longitude."""
        # Adding nought turns a negative nought, left by the rounding, into a plain one.
        return ";".join(f"{round(degrees, 6) + 0.0:.6f}" for degrees in (self.latitude, self.longitude))


def _component(entry: Entry) -> Event | IcalTodo:
    """Write one entry of a calendar."""
    if isinstance(entry, VisitEvent):
        return _visit(entry)
    return _due(entry) if isinstance(entry, DueEvent) else _todo(entry)


def _todo(todo: Todo) -> IcalTodo:
    """Write a to-do; one that is done says when, in UTC as RFC 5545 section 3.8.2.1 wants it."""
    written = _begun(IcalTodo(), todo)
    written.add("summary", _Text(one_line(todo.summary) or "To do"))
    written.add("due", todo.due_on)
    written.add("status", todo.status)
    if todo.priority:
        written.add("priority", todo.priority)
    if todo.completed_at is not None:
        written.add("completed", _in_utc(todo.completed_at))
        written.add("percent-complete", 100)
    return written


def _visit(visit: VisitEvent) -> Event:
    """Write a visit; a cancelled one says so in words too and no longer blocks the hour."""
    cancelled = visit.status == "CANCELLED"
    title = one_line(visit.summary) or "Visit"
    event = _event(visit)
    event.add("summary", _Text(f"CANCELLED: {title}" if cancelled else title))
    event.add("dtstart", _in_utc(visit.starts_at))
    event.add("dtend", _in_utc(visit.ends_at))
    event.add("created", _in_utc(visit.created_at))
    event.add("status", visit.status)
    event.add("transp", "TRANSPARENT" if cancelled else "OPAQUE")
    if visit.latitude is not None and visit.longitude is not None:
        event.add("geo", _Position((float(visit.latitude), float(visit.longitude))))
    return event


def _due(due: DueEvent) -> Event:
    """Write due care as an all-day entry; DTEND is the day after, as RFC 5545 section 3.6.1 counts."""
    event = _event(due)
    event.add("summary", _Text(one_line(due.summary) or "Care due"))
    event.add("dtstart", due.due_on)
    event.add("dtend", due.due_on + timedelta(days=1))
    event.add("transp", "TRANSPARENT")
    return event


def _event(source: VisitEvent | DueEvent) -> Event:
    """Begin an event."""
    return _begun(Event(), source)


def _begun(event: Written, source: Entry) -> Written:
    """Begin an entry with what visits, due care and to-dos have in common."""
    event.add("uid", _Text(f"{source.uid}@{UID_HOST}"))
    event.add("dtstamp", _in_utc(source.changed_at))
    event.add("last-modified", _in_utc(source.changed_at))
    event.add("sequence", source.sequence)
    place = one_line(source.place, joined_by=", ")
    description = many_lines(source.description)
    if place:
        event.add("location", _Text(place))
    if description:
        event.add("description", _Text(description))
    if source.url:
        event.add("url", vUri(source.url))
    return event


def _time_zone_utc() -> Timezone:
    """Write the component that makes an empty calendar valid and shows nothing."""
    standard = TimezoneStandard()
    standard.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001 - RFC 5545 section 3.6.5 wants a local time
    standard.add("tzoffsetfrom", timedelta(0))
    standard.add("tzoffsetto", timedelta(0))
    standard.add("tzname", _Text("UTC"))
    zone = Timezone()
    zone.add("tzid", _Text("Etc/UTC"))
    zone.add_component(standard)
    return zone


def _in_utc(moment: datetime) -> datetime:
    """Give the moment in UTC to the second, which is all that iCalendar can say."""
    return moment.astimezone(UTC).replace(microsecond=0)


def _place_in_calendar(event: Entry) -> tuple[datetime, str]:
    """Sort by beginning, then by UID, so that the order of the input never shows."""
    if isinstance(event, VisitEvent):
        return _in_utc(event.starts_at), str(event.uid)
    return datetime.combine(event.due_on, time(), tzinfo=UTC), str(event.uid)


def _whole_minutes(refresh: timedelta) -> timedelta:
    """Cut the refresh hint to whole minutes, of which there must be one at least."""
    minutes = refresh // timedelta(minutes=1)
    if minutes < 1:
        raise ValueError(f"A calendar cannot be refreshed every {refresh}: give a minute or more.")
    return timedelta(minutes=minutes)


def _known_colour(color: str) -> str:
    """Refuse a colour that RFC 7986 does not know."""
    if color not in CSS3_COLOURS:
        raise ValueError(f"The calendar colour {color!r} is none of CSS Color Level 3: give one like 'teal'.")
    return color


def _check_uids_differ(events: list[Entry]) -> None:
    """Refuse a UID that comes twice: readers would keep one of the two and lose the other."""
    seen: set[UUID] = set()
    for event in events:
        if event.uid in seen:
            raise ValueError(f"The UID {event.uid} comes twice in one calendar: list each entry once.")
        seen.add(event.uid)


def _check_moment(moment: datetime, *, of: str, field: str) -> None:
    """Refuse a moment that is no point in time, or that has none in UTC."""
    if moment.utcoffset() is None:
        raise ValueError(f"{of}: {field} has no time zone. Give an aware moment, such as one in UTC.")
    try:
        _in_utc(moment)
    except OverflowError:
        raise ValueError(
            f"{of}: {field} is {moment.isoformat()}, which in UTC lies before year 1 or after 9999."
        ) from None


def _check_sequence_and_url(sequence: int, url: str, *, of: str) -> None:
    """Refuse a count of changes below nought and an address that a calendar line cannot carry."""
    if sequence < 0:
        raise ValueError(f"{of} has the sequence {sequence}: count its changes from 0 up.")
    if url and not _WEB_ADDRESS.fullmatch(url):
        raise ValueError(f"{of} has the address {url!r}: give a full http or https address in plain ASCII.")


def _check_position(latitude: float | Decimal | None, longitude: float | Decimal | None, *, of: str) -> None:
    """Refuse half a position, and one that lies nowhere on earth."""
    if latitude is None and longitude is None:
        return
    if latitude is None or longitude is None:
        raise ValueError(f"{of} has only half a position: give latitude and longitude, or neither.")
    if not (-90 <= float(latitude) <= 90 and -180 <= float(longitude) <= 180):
        raise ValueError(
            f"{of} lies at {latitude}, {longitude}: give a latitude from -90 to 90 and a longitude from "
            "-180 to 180, in degrees."
        )
