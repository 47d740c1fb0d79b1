"""SVG map of a route from positions alone: numbered stops in order, home, a scale, north at the top.

Pure: positions in, SVG out. The projection is equirectangular around the middle of the route, which over the
width of a county is exact to the width of a line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.etree import ElementTree as ET

from servicedesk.core.values.words import count
from units.drawings.lettering import printable
from units.drawings.sheet import BLUEPRINT, FADED, INK, PAPER, SMALL, WIDTH, text

KM_PER_DEGREE = 111.195
MARGIN, HEIGHT, FOOT, LINE = 22.0, 240.0, 42.0, 16.0
_STEPS_KM = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 5000)

Position = tuple[float, float]


def draw_route(home: Position, stops: Sequence[Position], *, title: str, id_prefix: str) -> str:
    """Draw the way from home through the stops and back as straight lines.

    Parameters
    ----------
    home, stops
        Latitude and longitude in degrees; the stops in the order in which one gets there.
    title
        Whose route it is.
    id_prefix
        Begins the ids of the picture, so that several can stand on one page.
    """
    points = _laid_out([home, *stops])
    scale, shift = _fit(points)
    placed = [(MARGIN + shift[0] + x * scale, HEIGHT - MARGIN - shift[1] - y * scale) for x, y in points]
    root = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {WIDTH} {HEIGHT + FOOT:g}",
            "role": "img",
            "aria-labelledby": f"{id_prefix}-title {id_prefix}-desc",
            "font-family": "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif",
        },
    )
    ET.SubElement(root, "title", {"id": f"{id_prefix}-title"}).text = printable(title)
    number = len(stops)
    ET.SubElement(
        root, "desc", {"id": f"{id_prefix}-desc"}
    ).text = f"{count(number, 'stop')} in order, joined by straight lines; north is up."
    way = [*placed, placed[0]]
    ET.SubElement(
        root,
        "polyline",
        {
            "points": " ".join(f"{x:.1f},{y:.1f}" for x, y in way),
            "fill": "none",
            "stroke": BLUEPRINT,
            "stroke-width": "1.5",
            "stroke-linejoin": "round",
        },
    )
    for place, numbers in _by_place(placed[1:]):
        _mark(root, place, ", ".join(map(str, numbers)))
    x, y = placed[0]
    ET.SubElement(
        root,
        "rect",
        {
            "x": f"{x - 7:.1f}",
            "y": f"{y - 7:.1f}",
            "width": "14",
            "height": "14",
            "fill": PAPER,
            "stroke": INK,
        },
    )
    text(root, x, y + 4, "H", size=SMALL, anchor="middle", bold=True)
    _scale_bar(root, scale)
    return ET.tostring(root, encoding="unicode")


def _laid_out(positions: Sequence[Position]) -> list[tuple[float, float]]:
    """Project positions to kilometers east and north of the westernmost and southernmost of them."""
    middle = math.radians(sum(latitude for latitude, _ in positions) / len(positions))
    east = [longitude * KM_PER_DEGREE * math.cos(middle) for _, longitude in positions]
    north = [latitude * KM_PER_DEGREE for latitude, _ in positions]
    return [(x - min(east), y - min(north)) for x, y in zip(east, north, strict=True)]


def _fit(points: Sequence[tuple[float, float]]) -> tuple[float, tuple[float, float]]:
    """Scale in units of the picture per kilometer, and the shift that centers the route."""
    wide, high = max(x for x, _ in points), max(y for _, y in points)
    room = WIDTH - 2 * MARGIN, HEIGHT - 2 * MARGIN
    scale = min(room[0] / max(wide, 0.05), room[1] / max(high, 0.05), 800.0)
    return scale, ((room[0] - wide * scale) / 2, (room[1] - high * scale) / 2)


def _by_place(placed: Sequence[tuple[float, float]]) -> list[tuple[tuple[float, float], list[int]]]:
    """Group stops that would cover each other under one mark."""
    marks: list[tuple[tuple[float, float], list[int]]] = []
    for number, place in enumerate(placed, start=1):
        near = next((numbers for other, numbers in marks if math.dist(other, place) < 12), None)
        if near is None:
            marks.append((place, [number]))
        else:
            near.append(number)
    return marks


def _mark(root: ET.Element, place: tuple[float, float], words: str) -> None:
    x, y = place
    half = max(9.0, 3.4 * len(words) + 4)
    x = min(max(x, half + 1), WIDTH - half - 1)
    ET.SubElement(
        root,
        "rect",
        {
            "x": f"{x - half:.1f}",
            "y": f"{y - 9:.1f}",
            "width": f"{2 * half:.1f}",
            "height": "18",
            "rx": "9",
            "fill": INK,
            "stroke": PAPER,
        },
    )
    text(root, x, y + 4, words, size=SMALL, anchor="middle", bold=True, fill=PAPER)


def _scale_bar(root: ET.Element, scale: float) -> None:
    length = max((step for step in _STEPS_KM if step * scale <= WIDTH / 3), default=_STEPS_KM[0])
    y = HEIGHT + 8
    ET.SubElement(
        root,
        "path",
        {
            "d": f"M{MARGIN:g},{y - 4:g} V{y:g} H{MARGIN + length * scale:.1f} V{y - 4:g}",
            "fill": "none",
            "stroke": FADED,
        },
    )
    text(root, MARGIN + length * scale + 6, y, f"{length:g} km ({length / 1.609344:.2g} mi)", fill=FADED)
    text(root, MARGIN, y + LINE, "H: starts here. North is up.", fill=FADED)
