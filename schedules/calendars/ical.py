"""Calendar feeds by RFC 5545 and RFC 7986, written from plain data.

This module is pure: entries in (`schedules.calendars.entries`), bytes out, no Django, no clock. The same
entries give the same bytes in whatever order they come, so that a hash of the body serves as its entity tag.

What a feed must look like, and why:

- DTSTAMP is the moment of the last change, never now: a moving stamp makes every poll look like a change.
- SEQUENCE and LAST-MODIFIED go together; readers differ in which of the two they believe.
- A cancelled visit stays in the feed, marked in STATUS and in words, since some readers heed only one.
- METHOD stays out (RFC 5546 would then demand an ORGANIZER), and so does a UID of the whole calendar: one
  synchronizer takes a calendar with a UID for a single event.
- Moments are in UTC, so that no time zone has to travel with them. There are no alarms and no attachments:
  subscriptions ignore the first, and photos must not leak along with the link.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from datetime import UTC, datetime, time, timedelta
from typing import Literal, TypeVar
from uuid import UUID

from icalendar import Calendar, Event, Timezone, TimezoneStandard
from icalendar import Todo as IcalTodo
from icalendar.prop import vCalAddress, vDuration, vGeo, vText, vUri

from schedules.calendars.entries import DueEvent, Entry, Todo, VisitEvent, in_utc

Written = TypeVar("Written", Event, IcalTodo)

UID_HOST = "sashkeep.invalid"
"""Host part of every UID: fixed, and under a top-level name that nobody can own (RFC 2606)."""

PRODUCT = "-//Sashkeep//Calendar feed//EN"

# The color names of CSS Color Module Level 3, section 4.3, the only ones RFC 7986 section 5.9 allows.
CSS3_COLORS = frozenset(
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
    """.split()  # noqa: SIM905 - one quoted name a line would bury the module under its colors
)

_MAIL_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9.-]+")
# Control characters have no place in iCalendar text (RFC 5545 section 3.1). An embedding or override of
# the writing direction that is never closed would reverse the words beside it; single marks may stay.
_STRIPPED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufeff]")
# Half of a surrogate pair has no UTF-8 form, and the last two code points are refused by XML, in which
# calendar servers wrap what they pass on.
_UNWRITABLE = re.compile("[\ud800-\udfff\ufffe\uffff]")


def build_message(
    visit: VisitEvent,
    *,
    method: Literal["REQUEST", "CANCEL"],
    organizer: str,
    organizer_name: str,
    attendee: str,
    attendee_name: str,
) -> bytes:
    """Build the iTIP message (RFC 5546) of an invitation to a visit, its update or its cancellation.

    The same visit keeps its UID, so that an update with a higher sequence takes the place of what the
    customer's calendar holds. No reply is requested: the customer answers by the link in the message.

    Raises
    ------
    ValueError
        When the method is neither, an address is invalid, or method and status of the visit disagree.
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
    """Calendar user address of a person (RFC 5545 section 3.3.3), with the name as CN."""
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
    """Build an iCalendar object that other programs can subscribe to.

    Parameters
    ----------
    name
        What the calendar is called in the list of calendars.
    events
        The entries, in any order; each UID once.
    color
        A color name of CSS Color Module Level 3, for readers that heed it.
    refresh
        How often a reader is asked to poll. It is a hint: some poll a few times a day at best.

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
        When the name is empty, the color unknown, the refresh shorter than a minute, or a UID comes twice.
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
        calendar.add("color", _Text(_known_color(color)))
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
    """Entity tag of a feed: quoted as HTTP requires, new exactly when the bytes are."""
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def many_lines(text: str) -> str:
    """Remove the characters that iCalendar cannot carry, keeping line breaks and tabs."""
    cleaned = (_UNWRITABLE.sub("\ufffd", _STRIPPED.sub("", line)) for line in text.splitlines())
    return "\n".join(cleaned).strip()


def one_line(text: str, *, joined_by: str = " ") -> str:
    """Clean a text and join its lines into one, for titles and addresses."""
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

    The library would write a degree close to zero with an exponent, which the standard does not know.
    """

    def to_ical(self) -> str:
        """Serialize as latitude, semicolon, longitude."""
        # Adding zero turns a negative zero, left by the rounding, into a plain one.
        return ";".join(f"{round(degrees, 6) + 0.0:.6f}" for degrees in (self.latitude, self.longitude))


def _component(entry: Entry) -> Event | IcalTodo:
    """iCalendar component of one entry."""
    if isinstance(entry, VisitEvent):
        return _visit(entry)
    return _due(entry) if isinstance(entry, DueEvent) else _todo(entry)


def _todo(todo: Todo) -> IcalTodo:
    """VTODO of a to-do; a completed one says when, in UTC as RFC 5545 section 3.8.2.1 requires."""
    written = _begun(IcalTodo(), todo)
    written.add("summary", _Text(one_line(todo.summary) or "To do"))
    written.add("due", todo.due_on)
    written.add("status", todo.status)
    if todo.priority:
        written.add("priority", todo.priority)
    if todo.completed_at is not None:
        written.add("completed", in_utc(todo.completed_at))
        written.add("percent-complete", 100)
    return written


def _visit(visit: VisitEvent) -> Event:
    """VEVENT of a visit; a cancelled one says so in its summary too and no longer blocks the time."""
    cancelled = visit.status == "CANCELLED"
    title = one_line(visit.summary) or "Visit"
    event = _event(visit)
    event.add("summary", _Text(f"CANCELED: {title}" if cancelled else title))
    event.add("dtstart", in_utc(visit.starts_at))
    event.add("dtend", in_utc(visit.ends_at))
    event.add("created", in_utc(visit.created_at))
    event.add("status", visit.status)
    event.add("transp", "TRANSPARENT" if cancelled else "OPAQUE")
    if visit.latitude is not None and visit.longitude is not None:
        event.add("geo", _Position((float(visit.latitude), float(visit.longitude))))
    return event


def _due(due: DueEvent) -> Event:
    """All-day VEVENT of due maintenance; DTEND is the day after, as RFC 5545 section 3.6.1 counts."""
    event = _event(due)
    event.add("summary", _Text(one_line(due.summary) or "Maintenance due"))
    event.add("dtstart", due.due_on)
    event.add("dtend", due.due_on + timedelta(days=1))
    event.add("transp", "TRANSPARENT")
    return event


def _event(source: VisitEvent | DueEvent) -> Event:
    """VEVENT with the properties that all entries share."""
    return _begun(Event(), source)


def _begun(event: Written, source: Entry) -> Written:
    """Add the properties that visits, due entries and to-dos share."""
    event.add("uid", _Text(f"{source.uid}@{UID_HOST}"))
    event.add("dtstamp", in_utc(source.changed_at))
    event.add("last-modified", in_utc(source.changed_at))
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
    """VTIMEZONE of UTC, which makes an empty calendar valid and shows nothing."""
    standard = TimezoneStandard()
    standard.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001 - RFC 5545 section 3.6.5 wants a local time
    standard.add("tzoffsetfrom", timedelta(0))
    standard.add("tzoffsetto", timedelta(0))
    standard.add("tzname", _Text("UTC"))
    zone = Timezone()
    zone.add("tzid", _Text("Etc/UTC"))
    zone.add_component(standard)
    return zone


def _place_in_calendar(event: Entry) -> tuple[datetime, str]:
    """Sort key: beginning, then UID, so that the order of the input never shows."""
    if isinstance(event, VisitEvent):
        return in_utc(event.starts_at), str(event.uid)
    return datetime.combine(event.due_on, time(), tzinfo=UTC), str(event.uid)


def _whole_minutes(refresh: timedelta) -> timedelta:
    """Cut the refresh hint to whole minutes; refuse less than one."""
    minutes = refresh // timedelta(minutes=1)
    if minutes < 1:
        raise ValueError(f"A calendar cannot be refreshed every {refresh}: give a minute or more.")
    return timedelta(minutes=minutes)


def _known_color(color: str) -> str:
    """Refuse a color that RFC 7986 does not know."""
    if color not in CSS3_COLORS:
        raise ValueError(f"The calendar color {color!r} is none of CSS Color Level 3: give one like 'teal'.")
    return color


def _check_uids_differ(events: list[Entry]) -> None:
    """Refuse a duplicate UID: readers would keep one of the two entries and lose the other."""
    seen: set[UUID] = set()
    for event in events:
        if event.uid in seen:
            raise ValueError(f"The UID {event.uid} comes twice in one calendar: list each entry once.")
        seen.add(event.uid)
