"""The linter of calendar feeds against files with one defect each, and against defects it cannot see.

The defects follow the grammar and the "MUST"s of RFC 5545, RFC 5546 and RFC 7986; each names its section.
"""

from __future__ import annotations

import pytest

from tests.schedules.ical_linter import lint

VALID = """\
BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//Sashkeep//Linter test//EN
NAME:Visits
REFRESH-INTERVAL;VALUE=DURATION:PT4H
X-PUBLISHED-TTL:PT4H
BEGIN:VTIMEZONE
TZID:America/New_York
BEGIN:DAYLIGHT
DTSTART:20070311T020000
RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU
TZOFFSETFROM:-0500
TZOFFSETTO:-0400
TZNAME:EDT
END:DAYLIGHT
BEGIN:STANDARD
DTSTART:20071104T020000
RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU
TZOFFSETFROM:-0400
TZOFFSETTO:-0500
TZNAME:EST
END:STANDARD
END:VTIMEZONE
BEGIN:VEVENT
UID:visit-1@sashkeep.invalid
DTSTAMP:20260401T090000Z
CREATED:20260401T090000Z
LAST-MODIFIED:20260401T090000Z
SEQUENCE:2
DTSTART:20260504T130000Z
DTEND:20260504T140000Z
SUMMARY:Clean\\, oil\\; check cords
DESCRIPTION:Panels first.\\nThen
  the tracks.
LOCATION:1 Elm Street
GEO:42.123456;-71.500000
STATUS:CONFIRMED
TRANSP:OPAQUE
URL:https://desk.invalid/visits/1/
BEGIN:VALARM
ACTION:DISPLAY
DESCRIPTION:Soon
TRIGGER:-PT30M
END:VALARM
END:VEVENT
BEGIN:VEVENT
UID:weekly@sashkeep.invalid
DTSTAMP:20260401T090000Z
DTSTART;TZID=America/New_York:20260504T090000
DTEND;TZID=America/New_York:20260504T100000
RRULE:FREQ=WEEKLY;UNTIL=20260615T130000Z
EXDATE;TZID=America/New_York:20260511T090000
SUMMARY:Weekly round \u2014 ma\u00f1ana \U0001fa9f
STATUS:TENTATIVE
END:VEVENT
BEGIN:VEVENT
UID:due-1@sashkeep.invalid
DTSTAMP:20260401T090000Z
DTSTART;VALUE=DATE:20260504
DTEND;VALUE=DATE:20260505
SUMMARY:Care due
TRANSP:TRANSPARENT
END:VEVENT
BEGIN:VTODO
UID:todo-1@sashkeep.invalid
DTSTAMP:20260401T090000Z
DTSTART:20260504T130000Z
DUE:20260505T130000Z
COMPLETED:20260504T150000Z
PERCENT-COMPLETE:100
STATUS:COMPLETED
PRIORITY:5
SUMMARY:Wash screens
END:VTODO
END:VCALENDAR
""".replace("\n", "\r\n").encode()

STAMP = "DTSTAMP:20260401T090000Z\n"
TODO_START = "DTSTART:20260504T130000Z\nDUE:20260505T130000Z"
WEEKLY = "RRULE:FREQ=WEEKLY;UNTIL=20260615T130000Z"


def with_defect(old: str | bytes, new: str | bytes, *, count: int = 1) -> bytes:
    """Give the valid file with one piece exchanged, line breaks written as in this file."""
    old_bytes, new_bytes = (
        piece if isinstance(piece, bytes) else piece.replace("\n", "\r\n").encode() for piece in (old, new)
    )
    assert old_bytes in VALID
    return VALID.replace(old_bytes, new_bytes, count)


DEFECTS = {
    "no DTSTAMP (3.6.1)": ("visit-1@sashkeep.invalid\n" + STAMP, "visit-1@sashkeep.invalid\n", "no DTSTAMP"),
    "no UID (3.6.1)": ("UID:visit-1@sashkeep.invalid\n", "", "no UID"),
    "two events share a UID (3.8.4.7)": ("UID:due-1", "UID:visit-1", "came before"),
    "one bare LF (3.1)": (b"VERSION:2.0\r\n", b"VERSION:2.0\n", "bare LF"),
    "one bare CR (3.1)": (b"VERSION:2.0\r\n", b"VERSION:2.0\r", "bare LF or CR"),
    "no CRLF at the end (3.1)": (b"END:VCALENDAR\r\n", b"END:VCALENDAR", "last line has no CRLF"),
    "a line of 140 octets (3.1)": ("LOCATION:1 Elm", "LOCATION:" + "1 Elm " * 21, "over 75"),
    "a fold inside a character (3.1)": (b"ma\xc3\xb1ana", b"ma\xc3\r\n \xb1ana", "cut in two"),
    "an unescaped comma (3.3.11)": ("Clean\\, oil", "Clean, oil", "not escaped"),
    "an unescaped semicolon (3.3.11)": ("oil\\; check", "oil; check", "not escaped"),
    "an unknown escape (3.3.11)": ("Clean\\, oil", "Clean\\x oil", "not escaped"),
    "a raw line break in a text (3.1)": ("first.\\nThen", "first.\nThen", "no content line"),
    "DTEND before DTSTART (3.8.2.2)": ("DTEND:20260504T14", "DTEND:20260504T12", "DTEND is not after"),
    "DTEND equals DTSTART (3.8.2.2)": ("DTEND:20260504T14", "DTEND:20260504T13", "DTEND is not after"),
    "DTEND and DURATION (3.6.1)": ("SEQUENCE:2", "SEQUENCE:2\nDURATION:PT1H", "both DTEND and DURATION"),
    "TZID without VTIMEZONE (3.2.19)": ("TZID:America/New_York", "TZID:America/Boise", "no VTIMEZONE for"),
    "unknown TZID (3.2.19)": ("EXDATE;TZID=America/New_York", "EXDATE;TZID=Porch Time", "no VTIMEZONE for"),
    "EXDATE of another type (3.8.5.1)": (
        "EXDATE;TZID=America/New_York:20260511T090000",
        "EXDATE;VALUE=DATE:20260511",
        "EXDATE is not of the same type",
    ),
    "UNTIL in local time (3.3.10)": ("UNTIL=20260615T130000Z", "UNTIL=20260615T090000", "UNTIL is FLOATING"),
    "UNTIL a day, DTSTART a moment (3.3.10)": ("UNTIL=20260615T130000Z", "UNTIL=20260615", "UNTIL is DATE"),
    "STATUS of a to-do on an event (3.8.1.11)": (
        "STATUS:CONFIRMED",
        "STATUS:COMPLETED",
        "VEVENT knows no status",
    ),
    "unknown STATUS of a to-do (3.8.1.11)": ("STATUS:COMPLETED", "STATUS:DONE", "VTODO knows no status"),
    "no PRODID (3.6)": ("PRODID:-//Sashkeep//Linter test//EN\n", "", "no PRODID"),
    "no VERSION (3.6)": ("VERSION:2.0\n", "", "no VERSION"),
    "VERSION of the predecessor (3.7.4)": ("VERSION:2.0", "VERSION:1.0", "version is not 2.0"),
    "DUE and DURATION (3.6.2)": ("PRIORITY:5", "PRIORITY:5\nDURATION:PT1H", "both DUE and DURATION"),
    "an alarm without TRIGGER (3.6.6)": ("TRIGGER:-PT30M\n", "", "no TRIGGER"),
    "an alarm's TRIGGER no span (3.8.6.3)": ("TRIGGER:-PT30M", "TRIGGER:soon", "no span of time"),
    "GEO with a comma (3.8.1.6)": ("42.123456;-71.500000", "42.123456,-71.500000", "not latitude, semicolon"),
    "GEO with an exponent (3.8.1.6)": ("42.123456;", "1e-06;", "not latitude, semicolon"),
    "GEO beyond the pole (3.8.1.6)": ("42.123456;", "142.123456;", "nowhere on earth"),
    "METHOD:REQUEST in a feed (RFC 5546 3.2.2)": ("NAME:", "METHOD:REQUEST\nNAME:", "METHOD has no place"),
    "METHOD:PUBLISH in a feed (RFC 5546 3.2.1)": ("NAME:", "METHOD:PUBLISH\nNAME:", "METHOD has no place"),
    "February 30 (3.3.4)": ("DTSTART;VALUE=DATE:20260504", "DTSTART;VALUE=DATE:20260230", "no DATE of the"),
    "COMPLETED not in UTC (3.8.2.1)": (
        "COMPLETED:20260504T150000Z",
        "COMPLETED:20260504T150000",
        "COMPLETED is not in UTC",
    ),
    "DTSTAMP not in UTC (3.8.7.2)": (STAMP, "DTSTAMP:20260401T090000\n", "DTSTAMP is not in UTC"),
    "CREATED not in UTC (3.8.7.1)": ("CREATED:20260401T090000Z", "CREATED:20260401T090000", "not in UTC"),
    "LAST-MODIFIED not in UTC (3.8.7.3)": (
        "LAST-MODIFIED:20260401T090000Z",
        "LAST-MODIFIED;TZID=America/New_York:20260401T090000",
        "LAST-MODIFIED is not in UTC",
    ),
    "COUNT and UNTIL (3.3.10)": (WEEKLY, WEEKLY + ";COUNT=3", "both COUNT and UNTIL"),
    "PERCENT-COMPLETE over 100 (3.8.1.8)": ("COMPLETE:100", "COMPLETE:120", "whole number from 0 to 100"),
    "PRIORITY over 9 (3.8.1.9)": ("PRIORITY:5", "PRIORITY:10", "whole number from 0 to 9"),
    "SEQUENCE below nought (3.8.7.4)": ("SEQUENCE:2", "SEQUENCE:-1", "whole number from 0"),
    "a control character (3.1)": (b"1 Elm", b"1 \x0bElm", "control character"),
    "no END:VEVENT (3.6)": ("TRANSP:TRANSPARENT\nEND:VEVENT\n", "TRANSP:TRANSPARENT\n", "is open"),
    "END without BEGIN (3.6)": ("END:VCALENDAR\n", "END:VCALENDAR\nEND:VCALENDAR\n", "nothing is open"),
    "an event in an event (3.6.1)": (
        "BEGIN:VALARM",
        "BEGIN:VEVENT\nEND:VEVENT\nBEGIN:VALARM",
        "does not belong in VEVENT",
    ),
    "no END:VCALENDAR (3.4)": ("END:VCALENDAR\n", "", "never closed"),
    "a line after the end (3.4)": (
        "END:VCALENDAR\n",
        "END:VCALENDAR\nNAME:x\n",
        "outside of every component",
    ),
    "two calendars in one feed (3.4)": (
        "END:VTODO\n",
        "END:VTODO\nEND:VCALENDAR\nBEGIN:VCALENDAR\n",
        "not exactly one VCALENDAR",
    ),
    "a byte order mark (3.1.4)": (b"BEGIN:VCALENDAR", b"\xef\xbb\xbfBEGIN:VCALENDAR", "byte order mark"),
    "DTSTART a day, DTEND a moment (3.8.2.2)": (
        "DTEND;VALUE=DATE:20260505",
        "DTEND:20260505T000000Z",
        "DTEND is not of the same type",
    ),
    "DUE before DTSTART (3.8.2.3)": ("DUE:20260505", "DUE:20260503", "DUE is not after"),
    "a day without VALUE=DATE (3.8.2.4)": (
        "DTSTART;VALUE=DATE:20260504",
        "DTSTART:20260504",
        "no FLOATING of the calendar",
    ),
    "STATUS twice (3.6.1)": (
        "STATUS:CONFIRMED",
        "STATUS:CONFIRMED\nSTATUS:CONFIRMED",
        "STATUS more than once",
    ),
    "no DTSTART (3.6.1)": ("DTSTART:20260504T130000Z\nDTEND", "DTEND", "no DTSTART"),
    "Latin-1 bytes (3.1.4)": (b"ma\xc3\xb1ana", b"ma\xf1ana", "not UTF-8"),
    "a TZID on a moment in UTC (3.2.19)": (
        "DTSTART:20260504T130000Z\nDTEND",
        "DTSTART;TZID=America/New_York:20260504T130000Z\nDTEND",
        "TZID although it is in UTC",
    ),
    "unknown frequency (3.3.10)": ("FREQ=WEEKLY", "FREQ=FORTNIGHTLY", "is no frequency"),
    "a floating start (3.3.5)": (TODO_START, TODO_START.replace("Z", ""), "floating time"),
    "an observance in UTC (3.6.5)": (
        "DTSTART:20071104T020000",
        "DTSTART:20071104T020000Z",
        "at a local time",
    ),
    "a zone without observances (3.6.5)": (
        "BEGIN:VTIMEZONE\n",
        "BEGIN:VTIMEZONE\nTZID:Empty\nEND:VTIMEZONE\nBEGIN:VTIMEZONE\n",
        "neither STANDARD nor DAYLIGHT",
    ),
    "an observance without offset (3.6.5)": ("TZOFFSETTO:-0500\n", "", "no TZOFFSETTO"),
    "a UID of the calendar (breaks a synchroniser)": ("NAME:", "UID:all\nNAME:", "UID of the calendar"),
    "REFRESH-INTERVAL without a type (RFC 7986 5.7)": (";VALUE=DURATION", "", "lacks VALUE=DURATION"),
    "REFRESH-INTERVAL no span (3.3.6)": ("=DURATION:PT4H", "=DURATION:4 hours", "no span of time"),
    "X-PUBLISHED-TTL below nought": ("TTL:PT4H", "TTL:-PT4H", "no span of time"),
    "DURATION no span (3.3.6)": ("DTEND:20260504T140000Z", "DURATION:1H", "no span of time"),
    "unknown TRANSP (3.8.2.7)": ("TRANSP:OPAQUE", "TRANSP:BUSY", "no transparency"),
    "an attachment (leaks with the link)": (
        "SEQUENCE:2",
        "SEQUENCE:2\nATTACH:https://x.invalid/",
        "attachment",
    ),
    "a title on two lines": ("Clean\\, oil", "Clean\\noil", "more than one line"),
    "a line without colon (3.1)": ("TRANSP:OPAQUE", "TRANSP", "no content line"),
    "a name with a space (3.1)": ("TRANSP:OPAQUE", "TRANSP :OPAQUE", "no content line"),
}

# What the linter cannot see, each proved by the silence of the linter. Other means are named beside.
BLIND_SPOTS = {
    # A VTIMEZONE whose observance starts at the wrong wall time: our feeds carry no zone but UTC.
    "an observance an hour off (3.6.5)": ("DTSTART:20070311T020000", "DTSTART:20070311T030000"),
    # An hour that is a valid hour but not the agreed one: tests compare with the visit.
    "a visit an hour off": ("DTSTART:20260504T130000Z\nDTEND", "DTSTART:20260504T123000Z\nDTEND"),
    # A stamp of the moment of asking instead of the last change: tests build twice and compare bytes.
    "DTSTAMP in the future": (STAMP, "DTSTAMP:20991231T235959Z\n"),
    # A UID that will not be the same tomorrow: tests compare with the stored one.
    "a UID made from a list position": ("UID:visit-1@sashkeep.invalid", "UID:1"),
    # UTF-8 read as Latin-1 and written as UTF-8 again is valid UTF-8: tests read the words back.
    "UTF-8 encoded twice": (b"ma\xc3\xb1ana", b"ma\xc3\x83\xc2\xb1ana"),
    # Positions with latitude and longitude exchanged, where both are below 90.
    "latitude and longitude exchanged": ("42.123456;-71.500000", "-71.500000;42.123456"),
    # Spans in two different zones are not compared.
    "an end in another zone, before the start": (
        "DTEND;TZID=America/New_York:20260504T100000",
        "DTEND:20260504T100000Z",
    ),
    # Occurrences are not worked out, so that an exception may miss: our feeds carry no rules.
    "an exception that hits no occurrence": (
        "EXDATE;TZID=America/New_York:20260511T09",
        "EXDATE;TZID=America/New_York:20260511T08",
    ),
    # Rule parts beside FREQ, COUNT and UNTIL are not read: our feeds carry no rules.
    "a rule for the 40th day (3.3.10)": ("FREQ=WEEKLY", "FREQ=WEEKLY;BYMONTHDAY=40"),
    # An alarm's ACTION is not read: our feeds carry no alarms.
    "an alarm of an unknown action": ("ACTION:DISPLAY", "ACTION:SHOUT"),
    # Names of colors and addresses are not looked up: the writer refuses wrong ones.
    "a color nobody knows (RFC 7986 5.9)": ("NAME:", "COLOR:brassy\nNAME:"),
    "an address that is none (3.3.13)": ("URL:https://desk.invalid/", "URL:not an address/"),
    # A finished to-do that is not at 100 per cent: no rule of the standard, only odd.
    "a finished to-do at 10 per cent": ("PERCENT-COMPLETE:100", "PERCENT-COMPLETE:10"),
    # A gate code in the text: only a person or the writer of the text can tell.
    "a secret in the text": ("DESCRIPTION:Panels first.", "DESCRIPTION:Gate code 4711."),
}


def test_the_valid_file_has_no_problems() -> None:
    assert lint(VALID) == []


@pytest.mark.parametrize("defect", DEFECTS)
def test_each_defect_is_found(defect: str) -> None:
    old, new, words = DEFECTS[defect]
    problems = lint(with_defect(old, new))
    assert any(words in problem for problem in problems), problems


def test_bare_line_feeds_throughout_are_found() -> None:
    assert any("bare LF" in problem for problem in lint(VALID.replace(b"\r\n", b"\n")))


def test_a_calendar_without_components_is_found() -> None:
    empty = b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Sashkeep//Linter test//EN\r\nEND:VCALENDAR\r\n"
    assert lint(empty) == ["The calendar holds no component (3.4)."]


@pytest.mark.parametrize("body", [b"", b"\r\n", b"\xff\xfe\x00", b"<!doctype html>\r\n"])
def test_what_is_no_calendar_is_found(body: bytes) -> None:
    assert "The feed is not exactly one VCALENDAR (3.4)." in lint(body)


def test_a_changed_instance_may_share_the_uid_of_its_series() -> None:
    moved = (
        "BEGIN:VEVENT\nUID:weekly@sashkeep.invalid\nDTSTAMP:20260401T090000Z\n"
        "RECURRENCE-ID;TZID=America/New_York:20260518T090000\nDTSTART:20260519T130000Z\nEND:VEVENT\n"
    )
    assert lint(with_defect("BEGIN:VTODO\n", moved + "BEGIN:VTODO\n")) == []
    by_day = moved.replace(
        "RECURRENCE-ID;TZID=America/New_York:20260518T090000", "RECURRENCE-ID;VALUE=DATE:20260518"
    )
    problems = lint(with_defect("BEGIN:VTODO\n", by_day + "BEGIN:VTODO\n"))
    assert problems == ["Line 67 (RECURRENCE-ID): RECURRENCE-ID is not of the same type as DTSTART (3.8.5)."]


@pytest.mark.parametrize("defect", BLIND_SPOTS)
def test_blind_spots_are_what_we_say_they_are(defect: str) -> None:
    old, new = BLIND_SPOTS[defect]
    assert lint(with_defect(old, new)) == []
