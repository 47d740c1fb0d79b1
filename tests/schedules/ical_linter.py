"""A linter for calendar feeds that trusts no iCalendar library: it reads the bytes itself.

It knows the parts of RFC 5545 and RFC 7986 that a feed of ours can touch, and the few rules we set for feeds
ourselves: no METHOD, no UID of the calendar, no attachments, no floating times, titles and places on one
line. Section numbers in the messages are those of RFC 5545 unless another is named. What it cannot see is
listed, and proved, in the blind spots of `test_ical_linter.py`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime

from tests.schedules.ical_lines import Component, Line, read_components, read_lines

REQUIRED = {
    "VCALENDAR": ("PRODID", "VERSION"),
    "VEVENT": ("UID", "DTSTAMP", "DTSTART"),
    "VTODO": ("UID", "DTSTAMP"),
    "VJOURNAL": ("UID", "DTSTAMP"),
    "VFREEBUSY": ("UID", "DTSTAMP"),
    "VALARM": ("ACTION", "TRIGGER"),
    "VTIMEZONE": ("TZID",),
    "STANDARD": ("DTSTART", "TZOFFSETFROM", "TZOFFSETTO"),
    "DAYLIGHT": ("DTSTART", "TZOFFSETFROM", "TZOFFSETTO"),
}
PARENTS = {
    "VEVENT": "VCALENDAR",
    "VTODO": "VCALENDAR",
    "VJOURNAL": "VCALENDAR",
    "VFREEBUSY": "VCALENDAR",
    "VTIMEZONE": "VCALENDAR",
    "VALARM": "VEVENT or VTODO",
    "STANDARD": "VTIMEZONE",
    "DAYLIGHT": "VTIMEZONE",
}
SINGLETONS = frozenset(
    [
        *["PRODID", "VERSION", "CALSCALE", "METHOD", "COLOR", "REFRESH-INTERVAL", "X-WR-CALNAME"],
        *["X-PUBLISHED-TTL", "UID", "DTSTAMP", "DTSTART", "DTEND", "DUE", "DURATION", "COMPLETED", "CREATED"],
        *["LAST-MODIFIED", "SEQUENCE", "STATUS", "TRANSP", "CLASS", "GEO", "LOCATION", "SUMMARY", "PRIORITY"],
        *["PERCENT-COMPLETE", "ORGANIZER", "RECURRENCE-ID", "URL", "RRULE", "TZID", "TZOFFSETFROM"],
        *["TZOFFSETTO", "ACTION", "TRIGGER", "REPEAT"],
    ]
)
EXCLUSIVE = (("DTEND", "DURATION"), ("DUE", "DURATION"))
STATUSES = {
    "VEVENT": {"TENTATIVE", "CONFIRMED", "CANCELLED"},
    "VTODO": {"NEEDS-ACTION", "IN-PROCESS", "COMPLETED", "CANCELLED"},
    "VJOURNAL": {"DRAFT", "FINAL", "CANCELLED"},
}
UTC_ONLY = {"DTSTAMP", "CREATED", "LAST-MODIFIED", "COMPLETED"}
WHEN = {*UTC_ONLY, "DTSTART", "DTEND", "DUE", "RECURRENCE-ID", "EXDATE", "RDATE"}
TEXTS = {"SUMMARY", "DESCRIPTION", "LOCATION", "COMMENT", "CONTACT", "UID", "NAME", "X-WR-CALNAME", "TZNAME"}
WHOLE_NUMBERS = {"PERCENT-COMPLETE": (0, 100), "PRIORITY": (0, 9), "SEQUENCE": (0, 2**31 - 1)}
FREQUENCIES = {"SECONDLY", "MINUTELY", "HOURLY", "DAILY", "WEEKLY", "MONTHLY", "YEARLY"}

ESCAPED_TEXT = re.compile(r"(?:[^\\;,]|\\[\\;,nN])*")
DURATION = re.compile(r"[+-]?P(?:\d+W|(?=\d|T\d)(?:\d+D)?(?:T(?=\d)(?:\d+H)?(?:\d+M)?(?:\d+S)?)?)")
GEO = re.compile(r"([+-]?\d+(?:\.\d+)?);([+-]?\d+(?:\.\d+)?)")


def lint(body: bytes) -> list[str]:
    """Say in sentences what is wrong with a calendar feed; an empty list means nothing was found."""
    problems = list(check_bytes(body))
    lines = read_lines(body, problems)
    roots = read_components(lines, problems)
    if [root.name for root in roots] != ["VCALENDAR"]:
        problems.append("The feed is not exactly one VCALENDAR (3.4).")
    for root in roots:
        zones = {
            tzid.value for zone in root.children for tzid in zone.all("TZID") if zone.name == "VTIMEZONE"
        }
        for component in root.walk():
            problems.extend(check_component(component, zones))
        problems.extend(check_calendar(root))
    return problems


def check_bytes(body: bytes) -> Iterator[str]:
    """Check what is true of the bytes before any meaning: line ends, lengths, encoding (3.1)."""
    if body.startswith(b"\xef\xbb\xbf"):
        yield "The feed starts with a byte order mark."
    if not body.endswith(b"\r\n"):
        yield "The last line has no CRLF (3.1)."
    if re.search(rb"(?<!\r)\n|\r(?!\n)", body):
        yield "A line ends in a bare LF or CR, not in CRLF (3.1)."
    for number, line in enumerate(re.split(rb"\r\n|\n|\r", body), 1):
        if len(line) > 75:
            yield f"Line {number} has {len(line)} octets, over 75 (3.1)."
        if re.search(rb"[\x00-\x08\x0b-\x1f\x7f]", line):
            yield f"Line {number} holds a control character (3.1)."
        try:
            line.decode("utf-8")
        except UnicodeDecodeError:
            yield f"Line {number} is not UTF-8 by itself: Latin-1, or a character cut in two (3.1.4)."


def check_calendar(calendar: Component) -> Iterator[str]:
    """Check the calendar as a whole: what it must hold, and what a feed leaves out."""
    if not calendar.children:
        yield "The calendar holds no component (3.4)."
    for version in calendar.all("VERSION"):
        if version.value != "2.0":
            yield f"{version}: the version is not 2.0 (3.7.4)."
    for method in calendar.all("METHOD"):
        yield f"{method}: METHOD has no place in a feed (RFC 5546)."
    for uid in calendar.all("UID"):
        yield f"{uid}: a UID of the calendar makes a synchroniser take it for one event."
    for refresh in calendar.all("REFRESH-INTERVAL"):
        if refresh.params.get("VALUE") != "DURATION":
            yield f"{refresh}: REFRESH-INTERVAL lacks VALUE=DURATION (RFC 7986 5.7)."
    for hint in [*calendar.all("REFRESH-INTERVAL"), *calendar.all("X-PUBLISHED-TTL")]:
        if not DURATION.fullmatch(hint.value) or hint.value.startswith("-"):
            yield f"{hint}: {hint.value!r} is no span of time (3.3.6)."
    seen: set[tuple[str, str]] = set()
    for component in calendar.children:
        for uid in component.all("UID"):
            key = uid.value, "".join(line.value for line in component.all("RECURRENCE-ID"))
            if key in seen:
                yield f"{uid}: the UID and RECURRENCE-ID came before (3.8.4.7)."
            seen.add(key)


def check_component(component: Component, zones: set[str]) -> Iterator[str]:
    """Check one component and its lines."""
    here = f"{component.name} from line {component.number}"
    if component.parent_name not in PARENTS.get(component.name, "").split(" or "):
        yield f"{here}: does not belong in {component.parent_name or 'the top of the feed'} (3.6)."
    for name in REQUIRED.get(component.name, ()):
        if not component.all(name):
            yield f"{here}: has no {name} (3.6)."
    for name in sorted(SINGLETONS):
        if len(component.all(name)) > 1:
            yield f"{here}: has {name} more than once (3.6)."
    for one, other in EXCLUSIVE:
        if component.all(one) and component.all(other):
            yield f"{here}: has both {one} and {other} (3.6)."
    if component.name == "VTIMEZONE" and not component.children:
        yield f"{here}: has neither STANDARD nor DAYLIGHT (3.6.5)."
    for line in component.lines:
        yield from check_line(line, component, zones)
    yield from check_spans(component)


def check_line(line: Line, component: Component, zones: set[str]) -> Iterator[str]:
    """Check the value of one line by its name."""
    if line.name in TEXTS and not ESCAPED_TEXT.fullmatch(line.value):
        yield f"{line}: a comma, semicolon or backslash is not escaped (3.3.11)."
    if line.name in {"SUMMARY", "LOCATION"} and re.search(r"(?<!\\)(?:\\\\)*\\[nN]", line.value):
        yield f"{line}: {line.name} runs over more than one line."
    if line.name == "STATUS" and line.value not in STATUSES.get(component.name, set()):
        yield f"{line}: {component.name} knows no status {line.value!r} (3.8.1.11)."
    if line.name == "TRANSP" and line.value not in {"OPAQUE", "TRANSPARENT"}:
        yield f"{line}: {line.value!r} is no transparency (3.8.2.7)."
    if line.name == "ATTACH":
        yield f"{line}: an attachment would leak along with the link of the feed."
    if line.name in WHOLE_NUMBERS:
        least, most = WHOLE_NUMBERS[line.name]
        if not re.fullmatch(r"\d+", line.value) or not least <= int(line.value) <= most:
            yield f"{line}: {line.value!r} is not a whole number from {least} to {most} (3.8)."
    if line.name == "GEO":
        yield from check_position(line)
    if line.name == "DURATION" and not DURATION.fullmatch(line.value):
        yield f"{line}: {line.value!r} is no span of time (3.3.6)."
    if line.name == "TRIGGER" and "VALUE" not in line.params and not DURATION.fullmatch(line.value):
        yield f"{line}: {line.value!r} is no span of time (3.8.6.3)."
    if line.name in WHEN:
        yield from check_when(line, component, zones)
    if line.name == "RRULE":
        yield from check_rule(line, component)


def check_position(line: Line) -> Iterator[str]:
    """Check that a position is two plain numbers, latitude first, somewhere on earth."""
    numbers = GEO.fullmatch(line.value)
    if not numbers:
        yield f"{line}: {line.value!r} is not latitude, semicolon, longitude (3.8.1.6)."
    elif not (-90 <= float(numbers[1]) <= 90 and -180 <= float(numbers[2]) <= 180):
        yield f"{line}: {line.value!r} lies nowhere on earth (3.8.1.6)."


def check_when(line: Line, component: Component, zones: set[str]) -> Iterator[str]:
    """Check the days and moments of a line: their form, their zone, and the zones allowed here."""
    for value in line.value.split(","):
        kind, moment = line.read_when(value)
        if moment is None:
            yield f"{line}: {value!r} is no {kind} of the calendar (3.3.4, 3.3.5)."
        elif line.name in UTC_ONLY and kind != "UTC":
            yield f"{line}: {line.name} is not in UTC (3.8.7)."
        elif kind == "UTC" and "TZID" in line.params:
            yield f"{line}: has a TZID although it is in UTC (3.2.19)."
        elif kind == "ZONED" and line.params["TZID"] not in zones:
            yield f"{line}: no VTIMEZONE for the TZID {line.params['TZID']!r} (3.2.19)."
        elif component.name in {"STANDARD", "DAYLIGHT"} and kind != "FLOATING":
            yield f"{line}: an observance starts at a local time (3.6.5)."
        elif component.name not in {"STANDARD", "DAYLIGHT"} and kind == "FLOATING":
            yield f"{line}: a floating time means another moment in every zone (3.3.5)."
    if line.name in {"EXDATE", "RDATE", "RECURRENCE-ID"}:
        days = {line.read_when(value)[0] == "DATE" for value in line.value.split(",")}
        for start in component.all("DTSTART"):
            if days != {start.read_when(start.value)[0] == "DATE"}:
                yield f"{line}: {line.name} is not of the same type as DTSTART (3.8.5)."


def check_rule(line: Line, component: Component) -> Iterator[str]:
    """Check a recurrence rule: its frequency, and when it ends (3.3.10)."""
    parts = dict(part.partition("=")[::2] for part in line.value.split(";"))
    if parts.get("FREQ") not in FREQUENCIES:
        yield f"{line}: {parts.get('FREQ')!r} is no frequency (3.3.10)."
    if "COUNT" in parts and "UNTIL" in parts:
        yield f"{line}: has both COUNT and UNTIL (3.3.10)."
    if "UNTIL" not in parts:
        return
    kind = line.read_when(parts["UNTIL"], typed=False)[0]
    for start in component.all("DTSTART"):
        wanted = "DATE" if start.read_when(start.value)[0] == "DATE" else "UTC"
        if kind != wanted:
            yield f"{line}: UNTIL is {kind}, but DTSTART asks for {wanted} (3.3.10)."


def check_spans(component: Component) -> Iterator[str]:
    """Check that an end comes after its start and is of the same type (3.8.2.2, 3.8.2.3)."""
    for start in component.all("DTSTART"):
        for end in [*component.all("DTEND"), *component.all("DUE")]:
            start_kind, starts = start.read_when(start.value)
            end_kind, ends = end.read_when(end.value)
            if (start_kind == "DATE") != (end_kind == "DATE"):
                yield f"{end}: {end.name} is not of the same type as DTSTART (3.8.2)."
            elif start.params.get("TZID") == end.params.get("TZID") and not is_after(ends, starts):
                yield f"{end}: {end.name} is not after DTSTART (3.8.2)."


def is_after(later: datetime | None, earlier: datetime | None) -> bool:
    """Compare two moments; one that could not be read has been reported and gives no second report."""
    return later is None or earlier is None or later > earlier
