"""Reading single cells: what each may hold, and what the sentence says for what it may not."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.imports.files import cells
from servicedesk.imports.files.cells import CellError

TODAY = date(2026, 7, 29)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("N", 0),
        ("ne", 45),
        ("E", 90),
        ("south-east", 135),
        ("Southeast", 135),
        ("S", 180),
        ("sw", 225),
        ("west", 270),
        ("NW", 315),
        ("0", 0),
        ("360", 0),
        ("359.6", 0),
        ("187.4°", 187),
    ],
)
def test_facing_is_a_compass_point_or_degrees(text: str, degrees: int) -> None:
    """The eight winds stand 45 degrees apart, clockwise from north (plain geometry)."""
    assert cells.facing(text) == degrees


@pytest.mark.parametrize(
    ("text", "exact"), [("NNE", 22.5), ("ENE", 67.5), ("south south-west", 202.5), ("wnw", 292.5)]
)
def test_half_winds_are_no_further_off_than_half_a_degree(text: str, exact: float) -> None:
    assert abs(cells.facing(text) - exact) <= 0.5


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("panel 2", (2, "", "")),
        ("Panel 3 corner ul", (3, "UL", "")),
        ("PANEL 1, corner LR", (1, "LR", "")),
        ("left jamb", (None, "", "left jamb")),
        ("panel near the door", (None, "", "panel near the door")),
    ],
)
def test_where_is_a_panel_or_words(text: str, expected: tuple[int | None, str, str]) -> None:
    assert cells.place(text) == expected


@pytest.mark.parametrize(
    ("text", "done"),
    [
        ("cleaned", ["cleaned"]),
        ("Lubricate", ["lubricated"]),
        ("cleaning; oiled", ["cleaned", "lubricated"]),
        ("washed and wiped, inspected", ["cleaned", "checked"]),
        ("replacement", ["replaced"]),
        ("fixed/adjusted", ["repaired", "adjusted"]),
    ],
)
def test_work_is_told_in_plain_forms_of_six_words(text: str, done: list[str]) -> None:
    assert cells.works(text) == done


@pytest.mark.parametrize(
    ("text", "said"), [("yes", True), ("Y", True), ("1", True), ("TRUE", True), ("no", False), ("0", False)]
)
def test_yes_and_no(text: str, said: bool) -> None:
    assert cells.yes_no(text) is said


def test_a_day_is_written_year_month_day() -> None:
    assert cells.day(TODAY)("2024-02-29") == date(2024, 2, 29)
    assert cells.day(TODAY)("2026-07-29") == TODAY


def test_coordinates_keep_six_decimals() -> None:
    assert cells.coordinate(90)("35.91234567") == Decimal("35.912346")
    assert cells.coordinate(180)("-79") == Decimal("-79")


REFUSED: list[tuple[Callable[[str], Any], str, str]] = [
    (cells.day(TODAY), "3/4/2020", "year-month-day, such as 2019-04-30"),
    (cells.day(TODAY), "20200304", "year-month-day"),
    (cells.day(TODAY), "2020-3-4", "year-month-day"),
    (cells.day(TODAY), "２０２０-03-04", "year-month-day"),
    (cells.day(TODAY), "2023-02-29", "no such day"),
    (cells.day(TODAY), "1949-12-31", "from 1950-01-01"),
    (cells.day(TODAY), "2026-07-30", "still to come (today is 2026-07-29)"),
    (cells.any_day, "2201-01-01", "to 2200-12-31"),
    (cells.words(5), "abcdef", "6 characters; 5 are the most"),
    (cells.words(5), "a\x07b", "control character (number 7)"),
    (cells.lines, "two\nlines\x1b", "control character (number 27)"),
    (cells.whole(1, 12, "The number of panels"), "0", "from 1 to 12"),
    (cells.whole(1, 12, "The number of panels"), "3.5", "a whole number"),
    (cells.whole(1, 12, "The number of panels"), "four", "a whole number"),
    (cells.coordinate(90), "90.000001", "from -90 to 90"),
    (cells.coordinate(90), "35,9", "with a point"),
    (cells.coordinate(90), "nan", "with a point"),
    (cells.coordinate(180), "1e2", "with a point"),
    (cells.facing, "361", "from 0 (north) to 360"),
    (cells.facing, "-1", "from 0 (north) to 360"),
    (cells.facing, "upwards", "no compass point"),
    (cells.choice(["none", "part"]), "half", "one of none, part"),
    (cells.yes_no, "maybe", "yes or no"),
    (cells.length("in", may_be_zero=False), "35,5", "comma"),
    (cells.length("in", may_be_zero=False), "0", "more than nothing"),
    (cells.works, "danced", "“danced” is no work known here"),
    (cells.works, "cleaned and danced", "cleaned, lubricated, checked"),
    (cells.place, "panel 0", "numbered from 1"),
    (cells.place, "panel 2 corner top", "UL, UR, LL or LR"),
    (cells.place, "x" * 121, "120 are the most"),
]


@pytest.mark.parametrize(("read", "text", "words"), REFUSED, ids=[text[:20] for _, text, _ in REFUSED])
def test_what_can_not_be_read_says_why_and_how_to_mend_it(
    read: Callable[[str], Any], text: str, words: str
) -> None:
    with pytest.raises(CellError) as caught:
        read(text)
    assert words in str(caught.value)


def test_a_floor_may_be_level_with_the_ground() -> None:
    assert cells.length("in", may_be_zero=True)("0") == 0
    assert cells.length("mm", may_be_zero=False)("911") == 911


READERS = [
    *(cells.day(TODAY), cells.any_day, cells.words(40), cells.lines, cells.whole(0, 1440, "Minutes")),
    *(cells.coordinate(90), cells.facing, cells.choice(["none"]), cells.yes_no, cells.works, cells.place),
    cells.length("in", may_be_zero=True),
]


@given(st.sampled_from(READERS), st.text(min_size=1, max_size=60))
def test_any_text_is_read_or_refused_with_a_sentence(read: Callable[[str], Any], text: str) -> None:
    message = "."
    try:
        read(text)
    except CellError as error:
        message = str(error)
    assert message.endswith(".")
