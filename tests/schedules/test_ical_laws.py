"""Calendar feeds: laws that hold for any text, any moment and any position."""

from __future__ import annotations

import unicodedata
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from schedules.calendars.ical import build_calendar, many_lines, one_line
from tests.schedules.calendar_entries import HOSTILE, due, event_lines, visit
from tests.schedules.ical_linter import lint
from tests.schedules.readers import read_with_icalendar

NEW_YORK = ZoneInfo("America/New_York")

hostile_text = st.lists(
    st.text(st.characters(exclude_categories=()))
    | st.sampled_from(HOSTILE)
    | st.sampled_from("\\,;:\nN\r\t "),
    max_size=6,
).map("".join)


# --- any text --------------------------------------------------------------------------------------


# The classes of Unicode Standard Annex 9 that turn the writing direction until they are closed, or close it.
TURNERS = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


def clean_character_by_character(text: str) -> str:
    """Clean a text by the properties Unicode gives its characters."""
    characters = []
    for character in text.replace("\r\n", "\n"):
        if character in "\n\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029":
            characters.append("\n")
        elif unicodedata.category(character) == "Cs" or character in "\ufffe\uffff":
            characters.append("\N{REPLACEMENT CHARACTER}")
        elif unicodedata.bidirectional(character) in TURNERS:
            continue
        elif character == "\t" or (unicodedata.category(character) != "Cc" and character != "\ufeff"):
            characters.append(character)
    return "".join(characters).strip()


@settings(deadline=None)
@given(text=hostile_text)
def test_cleaning_goes_by_the_properties_of_the_characters(text: str) -> None:
    assert many_lines(text) == clean_character_by_character(text)


@settings(deadline=None)
@given(text=hostile_text)
def test_cleaning_twice_is_cleaning_once(text: str) -> None:
    assert many_lines(many_lines(text)) == many_lines(text)
    assert one_line(one_line(text)) == one_line(text)
    assert len(one_line(text).splitlines()) <= 1


@settings(deadline=None)  # texts of 10,000 characters take their time on a busy machine
@given(
    summary=hostile_text,
    place=hostile_text,
    description=hostile_text,
    name=hostile_text,
    cancelled=st.booleans(),
)
@example(summary=HOSTILE[0], place=HOSTILE[0], description=HOSTILE[0], name=HOSTILE[0], cancelled=True)
@example(summary=HOSTILE[2], place=HOSTILE[2], description=HOSTILE[2], name=HOSTILE[2], cancelled=False)
@example(summary=HOSTILE[11], place=HOSTILE[12], description=HOSTILE[13], name=HOSTILE[14], cancelled=False)
def test_any_text_makes_a_clean_feed_and_reads_back_as_cleaned(
    summary: str, place: str, description: str, name: str, cancelled: bool
) -> None:
    assume(one_line(name))
    status = "CANCELLED" if cancelled else "TENTATIVE"
    entry = visit(summary=summary, place=place, description=description, status=status)
    body = build_calendar(name, [entry, due(summary=summary, place=place, description=description)])
    assert lint(body) == []
    seen_due, seen_visit = read_with_icalendar(body)
    assert seen_visit.summary == ("CANCELED: " if cancelled else "") + (one_line(summary) or "Visit")
    assert seen_due.summary == (one_line(summary) or "Maintenance due")
    for seen in (seen_due, seen_visit):
        assert seen.description == many_lines(description)
        assert seen.location == one_line(place, joined_by=", ")


@given(
    words=st.lists(st.text("abN n\\,;:\"'^%\u00e9\u05e9\u200f\U0001fa9f", min_size=1), min_size=1, max_size=4)
)
def test_harmless_text_survives_whole(words: list[str]) -> None:
    text = "\n".join(["first", *words, "last"])
    (seen,) = read_with_icalendar(build_calendar("x", [visit(description=text)]))
    assert seen.description == text


# --- any time, any place ---------------------------------------------------------------------------

moments = st.datetimes(
    min_value=datetime(1970, 1, 2),  # noqa: DTZ001 - hypothesis takes bounds without a zone
    max_value=datetime(2099, 12, 30),  # noqa: DTZ001 - the same
    timezones=st.timezones(),
    allow_imaginary=False,
)


@settings(deadline=None)
@given(starts_at=moments, lasts=st.timedeltas(min_value=timedelta(seconds=1), max_value=timedelta(days=3)))
@example(starts_at=datetime(2026, 11, 1, 1, 30, tzinfo=NEW_YORK), lasts=timedelta(hours=1))
@example(starts_at=datetime(2026, 11, 1, 1, 30, tzinfo=NEW_YORK, fold=1), lasts=timedelta(hours=1))
@example(starts_at=datetime(2026, 3, 8, 1, 30, tzinfo=NEW_YORK), lasts=timedelta(hours=1))
def test_any_moment_reads_back_as_the_same_moment(starts_at: datetime, lasts: timedelta) -> None:
    ends_at = (starts_at.astimezone(UTC) + lasts).astimezone(starts_at.tzinfo)
    body = build_calendar("x", [visit(starts_at=starts_at, ends_at=ends_at, changed_at=starts_at)])
    assert lint(body) == []
    (seen,) = read_with_icalendar(body)
    assert seen.starts == starts_at.astimezone(UTC).replace(microsecond=0)
    assert seen.ends == ends_at.astimezone(UTC).replace(microsecond=0)


latitudes = st.floats(-90, 90) | st.decimals(-90, 90, places=7)
longitudes = st.floats(-180, 180) | st.decimals(-180, 180, places=7)


@settings(deadline=None)
@given(latitude=latitudes, longitude=longitudes)
@example(latitude=1e-7, longitude=-1e-7)
@example(latitude=0.000001, longitude=-0.0)
@example(latitude=-90.0, longitude=180.0)
def test_any_position_is_written_to_a_tenth_of_a_meter(
    latitude: float | Decimal, longitude: float | Decimal
) -> None:
    body = build_calendar("x", [visit(latitude=latitude, longitude=longitude)])
    assert lint(body) == []
    (written,) = [line for line in event_lines(body) if line.startswith("GEO:")]
    north, east = written.removeprefix("GEO:").split(";")
    assert abs(float(north) - float(latitude)) < 1e-6
    assert abs(float(east) - float(longitude)) < 1e-6
    assert "-0.000000" not in written
