"""The linter that our feeds are judged by is not taken in: any bytes end in problems, not in an error.

A linter that fails, or finds nothing in rubbish, would prove nothing about a feed.
"""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from schedules.calendars.ical import build_calendar
from tests.schedules.calendar_entries import due, visit
from tests.schedules.ical_lines import read_components, read_lines
from tests.schedules.ical_linter import lint

GOOD = build_calendar("Visits", [visit(), due()])
PIECES = st.sampled_from(
    [
        *(
            b"BEGIN:VEVENT\r\n",
            b"END:VEVENT\r\n",
            b"BEGIN:VCALENDAR\r\n",
            b"END:VCALENDAR\r\n",
            b"\r\n",
            b"\n",
        ),
        *(
            b" ",
            b"\t",
            b":",
            b";",
            b'"',
            b"DTSTART",
            b";TZID=",
            b"20261125T100000Z\r\n",
            b"RRULE:FREQ=NEVER\r\n",
        ),
        *(b"GEO:x;y\r\n", b"UID:\r\n", b"SEQUENCE:-1\r\n", b"DTSTART:99999999T999999Z\r\n", b"\0", b"\xff"),
    ]
)


@settings(max_examples=150)
@given(st.lists(PIECES | st.binary(max_size=12), max_size=30).map(b"".join))
def test_rubbish_has_problems(body: bytes) -> None:
    assert lint(body)


@settings(max_examples=150)
@given(place=st.floats(0, 1), cut=st.integers(0, 40), junk=PIECES | st.binary(max_size=20))
def test_a_damaged_feed_is_read_to_its_end(place: float, cut: int, junk: bytes) -> None:
    at = int(place * len(GOOD))
    body = GOOD[:at] + junk + GOOD[at + cut :]
    problems: list[str] = []
    lines = read_lines(body, problems)
    read_components(lines, problems)
    assert all(isinstance(problem, str) for problem in lint(body))


@given(place=st.floats(0, 1, exclude_max=True))
def test_a_feed_that_was_cut_off_is_noticed(place: float) -> None:
    assert lint(GOOD) == []
    assert lint(GOOD[: int(place * (len(GOOD) - 2))])
