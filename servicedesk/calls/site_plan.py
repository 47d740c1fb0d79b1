"""Schematic plan of a site: which units are in which wall, as far as the register knows."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from units.models import Unit

# Clockwise from the north; the short names are grid areas in the style sheet.
POINTS = {
    "north": "n",
    "north-east": "ne",
    "east": "e",
    "south-east": "se",
    "south": "s",
    "south-west": "sw",
    "west": "w",
    "north-west": "nw",
}
_NAMES = list(POINTS)
_COMPASS = re.compile(r"\b(north|south|east|west)(?:[\s-]?(east|west))?\b", re.IGNORECASE)
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
_NUMBER = re.compile(r"\d+")
_UNCOUNTED = 999


@dataclass(frozen=True)
class Place:
    """Unit on the plan, and its place within the wall."""

    unit: Unit
    spot: str


@dataclass
class Wall:
    """Wall of the porch and its units, in their order."""

    name: str
    area: str  # grid area on the plan; "" for a place without a compass point
    places: list[Place] = field(default_factory=list)


def wall_of(unit: Unit) -> tuple[str, str]:
    """Name of the wall of a unit, and its grid area on the plan.

    A compass point in the place wins over the bearing, because people name walls in words: "north wall,
    second from the door". Without both, the place itself is the wall's name ("kitchen side, left of the
    door").
    """
    if match := _COMPASS.search(unit.place):
        name = "-".join(word.lower() for word in match.groups() if word)
        if name in POINTS:
            return f"{name.capitalize()} wall", POINTS[name]
    if unit.facing is not None:
        name = _NAMES[round(unit.facing / 45) % 8]
        return f"{name.capitalize()} wall", POINTS[name]
    if unit.place.strip():
        spoken = re.split(r"[,;:]", unit.place)[0].strip()
        return spoken[:1].upper() + spoken[1:], ""
    return "Not placed yet", ""


def walls_of(units: Iterable[Unit]) -> list[Wall]:
    """Units grouped by wall: compass walls clockwise from the north, then the others by name."""
    walls: dict[tuple[str, str], Wall] = {}
    for unit in sorted(units, key=lambda unit: (_count_in(unit.place), unit.code)):
        name, area = wall_of(unit)
        wall = walls.setdefault((name, area), Wall(name, area))
        wall.places.append(Place(unit, _beyond(unit.place, wall=name)))
    round_the_porch = list(POINTS.values())
    return sorted(
        walls.values(),
        key=lambda wall: (not wall.area, round_the_porch.index(wall.area) if wall.area else 0, wall.name),
    )


def _beyond(place: str, *, wall: str) -> str:
    """Place without the wall's own name, since the plan shows it."""
    rest = place.strip()
    if rest.lower().startswith(wall.lower()):
        rest = rest[len(wall) :].lstrip(" ,;:")
    return rest


def _count_in(place: str) -> int:
    """Position of a unit in its wall ("second from the door", "bay 3"), if the place states it."""
    if number := _NUMBER.search(place):
        return int(number[0])
    words = re.findall(r"[a-z]+", place.lower())
    return next((_ORDINALS.index(word) + 1 for word in words if word in _ORDINALS), _UNCOUNTED)
