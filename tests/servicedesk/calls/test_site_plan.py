"""The plan of a site: windows by wall, as people speak of them."""

from __future__ import annotations

import pytest

from servicedesk.calls.site_plan import wall_of, walls_of
from units.models import Unit


@pytest.mark.parametrize(
    ("place", "facing", "wall"),
    [
        ("north wall, second from the door", None, ("North wall", "n")),
        ("North-East corner", None, ("North-east wall", "ne")),
        ("southwest side", 0, ("South-west wall", "sw")),
        ("by the door", 90, ("East wall", "e")),
        ("", 0, ("North wall", "n")),
        ("", 337, ("North-west wall", "nw")),
        ("", 338, ("North wall", "n")),
        ("kitchen side, left of the door", None, ("Kitchen side", "")),
        ("the northern lights room", None, ("The northern lights room", "")),
        ("", None, ("Not placed yet", "")),
    ],
)
def test_words_win_over_the_bearing(place: str, facing: int | None, wall: tuple[str, str]) -> None:
    assert wall_of(Unit(code="U", place=place, facing=facing)) == wall


def test_walls_run_clockwise_and_windows_as_they_are_counted() -> None:
    places = {
        "A": "south wall, second from the door",
        "B": "south wall, first from the door",
        "C": "north wall, bay 10",
        "D": "north wall, bay 9",
        "E": "",
        "F": "attic",
        "G": "north wall",
    }
    walls = walls_of(Unit(code=code, place=place) for code, place in places.items())
    drawn = [(wall.name, wall.area, [place.unit.code for place in wall.places]) for wall in walls]
    assert drawn == [
        ("North wall", "n", ["D", "C", "G"]),
        ("South wall", "s", ["B", "A"]),
        ("Attic", "", ["F"]),
        ("Not placed yet", "", ["E"]),
    ]


def test_a_place_does_not_repeat_its_wall() -> None:
    units = [Unit(code="A", place="north wall, first from the door"), Unit(code="B", place="north wall")]
    units.append(Unit(code="C", place="left of the north door"))
    (wall,) = walls_of(units)
    spots = {place.unit.code: place.spot for place in wall.places}
    assert spots == {"A": "first from the door", "B": "", "C": "left of the north door"}


def test_no_units_make_no_walls() -> None:
    assert walls_of([]) == []
