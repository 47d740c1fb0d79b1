"""Calendar feeds: every line by the standards, and refusals in words.

The standards are RFC 5545 (iCalendar), RFC 7986 (its newer calendar properties) and CSS Color Level 3.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from PIL import ImageColor

from schedules.calendars.ical import CSS3_COLORS, body_etag, build_calendar
from tests.schedules.calendar_entries import DUE_UID, VISIT_UID, due, event_lines, lines_of, visit
from tests.schedules.ical_linter import lint
from tests.schedules.readers import read_with_icalendar

NEW_YORK = ZoneInfo("America/New_York")

# --- what is written -------------------------------------------------------------------------------


def test_a_visit_line_by_line() -> None:
    body = build_calendar(
        "Visits of Ada",
        [
            visit(
                sequence=3,
                place="12 Elm Street\nMiddletown",
                latitude=Decimal("37.386013"),
                longitude=-122.082932,
                description="Unit 2: bring cord, 1/8 inch; test it.\nUnit 3: wash.",
                url="https://desk.invalid/visits/1,2;3/",
            )
        ],
        color="turquoise",
    )
    assert lines_of(body) == [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//Sashkeep//Calendar feed//EN",
        "NAME:Visits of Ada",
        "X-WR-CALNAME:Visits of Ada",
        "COLOR:turquoise",
        "REFRESH-INTERVAL;VALUE=DURATION:PT4H",
        "X-PUBLISHED-TTL:PT4H",
        "BEGIN:VEVENT",
        "SUMMARY:Clean and oil tracks",
        "DTSTART:20260504T130000Z",
        "DTEND:20260504T140000Z",
        "DTSTAMP:20260402T083000Z",
        f"UID:{VISIT_UID}@sashkeep.invalid",
        "SEQUENCE:3",
        "CREATED:20260401T090000Z",
        "DESCRIPTION:Unit 2: bring cord\\, 1/8 inch\\; test it.\\nUnit 3: wash.",
        # The position is the example of RFC 5545 section 3.8.1.6.
        "GEO:37.386013;-122.082932",
        "LAST-MODIFIED:20260402T083000Z",
        "LOCATION:12 Elm Street\\, Middletown",
        "STATUS:CONFIRMED",
        "TRANSP:OPAQUE",
        "URL:https://desk.invalid/visits/1,2;3/",
        "END:VEVENT",
        "END:VCALENDAR",
        "",
    ]
    assert lint(body) == []


def test_due_care_is_an_all_day_entry_that_leaves_the_day_free() -> None:
    body = build_calendar("Maintenance due", [due(place="1 Elm Street", sequence=1)])
    assert event_lines(body) == sorted(
        [
            "SUMMARY:Wash screens",
            "DTSTART;VALUE=DATE:20260504",
            "DTEND;VALUE=DATE:20260505",
            "DTSTAMP:20260402T083000Z",
            "LAST-MODIFIED:20260402T083000Z",
            f"UID:{DUE_UID}@sashkeep.invalid",
            "SEQUENCE:1",
            "LOCATION:1 Elm Street",
            "TRANSP:TRANSPARENT",
        ]
    )
    assert lint(body) == []


@pytest.mark.parametrize(
    ("status", "transparency", "summary"),
    [
        ("TENTATIVE", "OPAQUE", "Clean and oil tracks"),
        ("CONFIRMED", "OPAQUE", "Clean and oil tracks"),
        ("CANCELLED", "TRANSPARENT", "CANCELED: Clean and oil tracks"),
    ],
)
def test_the_status_is_said_and_a_cancelled_visit_frees_the_hour(
    status: str, transparency: str, summary: str
) -> None:
    lines = event_lines(build_calendar("Visits", [visit(status=status)]))
    assert {f"STATUS:{status}", f"TRANSP:{transparency}", f"SUMMARY:{summary}"} <= set(lines)


def test_what_is_empty_is_left_out() -> None:
    names = {line.partition(":")[0] for line in event_lines(build_calendar("Visits", [visit()]))}
    assert names.isdisjoint({"LOCATION", "DESCRIPTION", "URL", "GEO"})


def test_what_a_feed_must_not_carry_is_never_there() -> None:
    body = build_calendar("Visits", [visit(status="CANCELLED"), due()])
    lines = lines_of(body)
    before_the_first_event = lines[: lines.index("BEGIN:VEVENT")]
    assert not [line for line in before_the_first_event if line.startswith("UID")]
    assert not [
        line for line in lines if line.startswith(("METHOD", "ATTACH", "BEGIN:VALARM", "BEGIN:VTIMEZONE"))
    ]
    assert body.startswith(b"BEGIN:VCALENDAR\r\n")


def test_an_entry_without_words_still_has_a_title() -> None:
    lines = lines_of(build_calendar("x", [visit(summary="\x00\n"), due(summary="")]))
    assert [line for line in lines if line.startswith("SUMMARY")] == [
        "SUMMARY:Maintenance due",
        "SUMMARY:Visit",
    ]


def test_the_text_example_of_the_standard() -> None:
    # RFC 5545 section 3.3.11.
    text = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    lines = event_lines(build_calendar("x", [visit(description=text)]))
    assert "DESCRIPTION:Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared." in lines


@pytest.mark.parametrize(
    ("refresh", "written"),
    [
        (timedelta(hours=4), "PT4H"),
        (timedelta(days=7), "P7D"),
        (timedelta(hours=25, minutes=30, seconds=59), "P1DT1H30M"),
        (timedelta(minutes=1), "PT1M"),
    ],
)
def test_the_refresh_hint_is_given_in_both_spellings(refresh: timedelta, written: str) -> None:
    body = build_calendar("x", [visit()], refresh=refresh)
    assert f"REFRESH-INTERVAL;VALUE=DURATION:{written}" in lines_of(body)
    assert f"X-PUBLISHED-TTL:{written}" in lines_of(body)
    assert lint(body) == []


def test_the_color_names_are_those_of_css_level_3() -> None:
    # Pillow knows the names of CSS Color Level 4, which are those of Level 3 and one more.
    assert set(ImageColor.colormap) - CSS3_COLORS == {"rebeccapurple"}
    assert set(ImageColor.colormap) >= CSS3_COLORS


def test_an_empty_calendar_carries_a_time_zone_and_no_entry() -> None:
    body = build_calendar("Visits", [])
    assert lint(body) == []
    assert read_with_icalendar(body) == []
    assert lines_of(body)[7:] == [
        "BEGIN:VTIMEZONE",
        "TZID:Etc/UTC",
        "BEGIN:STANDARD",
        "DTSTART:19700101T000000",
        "TZNAME:UTC",
        "TZOFFSETFROM:+0000",
        "TZOFFSETTO:+0000",
        "END:STANDARD",
        "END:VTIMEZONE",
        "END:VCALENDAR",
        "",
    ]


# --- the same in, the same out ---------------------------------------------------------------------


def test_the_order_and_the_zone_of_the_input_never_show() -> None:
    others = [visit(uid=UUID(int=number), starts_at=datetime(2026, 5, 3, tzinfo=UTC)) for number in range(5)]
    events = [due(), visit(), *others]
    in_zone = visit(starts_at=datetime(2026, 5, 4, 9, 0, tzinfo=NEW_YORK))
    assert build_calendar("x", events) == build_calendar("x", [*reversed(others), in_zone, due()])


def test_the_tag_follows_the_body() -> None:
    body = build_calendar("x", [visit()])
    assert body_etag(body) == body_etag(build_calendar("x", [visit()]))
    assert body_etag(body) != body_etag(build_calendar("x", [visit(sequence=1)]))
    # The entity tag of RFC 9110 section 8.8.3: quoted, no weak mark. SHA-256 of nothing begins e3b0c442.
    assert body_etag(b"") == '"e3b0c44298fc1c149afbf4c8996fb924"'


def test_the_stamp_is_the_last_change_and_not_now() -> None:
    changed_at = datetime(2026, 4, 2, 8, 30, 15, 999_999, tzinfo=timezone(timedelta(hours=-4)))
    lines = event_lines(build_calendar("x", [visit(changed_at=changed_at)]))
    assert {"DTSTAMP:20260402T123015Z", "LAST-MODIFIED:20260402T123015Z"} <= set(lines)


# --- refusals --------------------------------------------------------------------------------------

NAIVE = datetime(2026, 5, 4, 13, 0)  # noqa: DTZ001 - the refusal of a naive moment is the subject here
TOO_EARLY = datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=5)))
START = visit().starts_at


@pytest.mark.parametrize(
    ("make", "changes", "words"),
    [
        (visit, {"starts_at": NAIVE}, "starts_at has no time zone. Give an aware moment"),
        (visit, {"ends_at": NAIVE}, "ends_at has no time zone"),
        (visit, {"changed_at": NAIVE}, "changed_at has no time zone"),
        (visit, {"created_at": NAIVE}, "created_at has no time zone"),
        (due, {"changed_at": NAIVE}, "changed_at has no time zone"),
        (visit, {"created_at": TOO_EARLY}, "which in UTC lies before year 1"),
        (visit, {"ends_at": START}, "not after it starts at"),
        (visit, {"ends_at": START - timedelta(hours=1)}, "not after it starts at"),
        (visit, {"ends_at": START + timedelta(milliseconds=900)}, "give an end at least a second later"),
        (visit, {"status": "FINISHED"}, "'FINISHED': give TENTATIVE, CONFIRMED or CANCELLED"),
        (visit, {"status": "confirmed"}, "'confirmed': give TENTATIVE, CONFIRMED or CANCELLED"),
        (visit, {"sequence": -1}, "sequence -1: count its changes from 0 up"),
        (due, {"sequence": -1}, "sequence -1: count its changes from 0 up"),
        (visit, {"url": "/visits/1/"}, "give a full http or https address in plain ASCII"),
        (visit, {"url": "https://desk.invalid/\r\nATTACH:x"}, "give a full http or https address"),
        (visit, {"url": "https://desk.invalid/\n"}, "give a full http or https address"),
        (due, {"url": "javascript:alert(1)"}, "give a full http or https address"),
        (due, {"url": "https://d\u00e9sk.invalid/"}, "in plain ASCII"),
        (visit, {"latitude": 40.0}, "only half a position"),
        (visit, {"longitude": 40.0}, "only half a position"),
        (visit, {"latitude": 90.000001, "longitude": 0.0}, "give a latitude from -90 to 90"),
        (visit, {"latitude": 0.0, "longitude": -180.5}, "a longitude from -180 to 180"),
        (visit, {"latitude": float("nan"), "longitude": 0.0}, "give a latitude"),
        (visit, {"latitude": 0.0, "longitude": Decimal("NaN")}, "a longitude"),
        (visit, {"latitude": float("inf"), "longitude": 0.0}, "give a latitude"),
        (due, {"due_on": START}, "give a date without a time"),
        (due, {"due_on": date.max}, "before the last day of the calendar"),
    ],
)
def test_entries_that_cannot_be_are_refused(
    make: Callable[..., object], changes: dict[str, Any], words: str
) -> None:
    with pytest.raises(ValueError, match=r"^(Visit 6f0c5d0e|Due care b7c1b1d2)") as refusal:
        make(**changes)
    assert words in str(refusal.value)


@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        (" \n\x00", {}, "The calendar has no name: say whose visits it shows."),
        ("x", {"color": "brassy"}, "The calendar color 'brassy' is none of CSS Color Level 3"),
        ("x", {"color": "Teal"}, "give one like 'teal'"),
        ("x", {"color": "rebeccapurple"}, "is none of CSS Color Level 3"),
        ("x", {"refresh": timedelta(seconds=59)}, "every 0:00:59: give a minute or more"),
        ("x", {"refresh": timedelta(hours=-4)}, "give a minute or more"),
    ],
)
def test_calendars_that_cannot_be_are_refused(name: str, options: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match="calendar") as refusal:
        build_calendar(name, [visit()], **options)
    assert words in str(refusal.value)


def test_a_uid_comes_once() -> None:
    with pytest.raises(ValueError, match=f"The UID {VISIT_UID} comes twice in one calendar"):
        build_calendar("x", [visit(), due(uid=VISIT_UID)])


# --- the module itself -----------------------------------------------------------------------------


def test_the_module_imports_no_django() -> None:
    program = "import sys, schedules.calendars.ical; print('django' in sys.modules)"
    root = Path(__file__).parents[2]
    seen = subprocess.run(
        [sys.executable, "-c", program], cwd=root, capture_output=True, text=True, check=True
    )
    assert seen.stdout.strip() == "False"
