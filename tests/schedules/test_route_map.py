"""The picture of a round, to the coordinate."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from schedules.plans.map import draw_route
from units.drawings.lettering import text_width

SVG = "{http://www.w3.org/2000/svg}"
POSITIONS = st.tuples(st.floats(-89, 89), st.floats(-179, 179))


def read(picture: str) -> ET.Element:
    """Read a picture of our own."""
    return ET.fromstring(picture)  # noqa: S314


def way(picture: str) -> list[tuple[float, float]]:
    """Read the line of a picture."""
    line = read(picture).find(f"{SVG}polyline")
    assert line is not None
    return [tuple(map(float, point.split(","))) for point in line.attrib["points"].split()]  # type: ignore[misc]


def test_north_is_up_and_east_is_right() -> None:
    home, north, east = way(
        draw_route((40.0, -74.0), [(40.1, -74.0), (40.0, -73.9)], title="A round", id_prefix="r")
    )[:3]
    assert north[1] < home[1] == pytest.approx(east[1])
    assert east[0] > home[0] == pytest.approx(north[0])
    # A degree of longitude at 40.03 degrees north is cos(40.03°) = 0.7657 of one of latitude.
    assert (east[0] - home[0]) / (home[1] - north[1]) == pytest.approx(0.7657, abs=2e-3)


@given(POSITIONS, st.lists(POSITIONS, min_size=1, max_size=12))
def test_everything_stays_on_the_sheet(home: tuple[float, float], stops: list[tuple[float, float]]) -> None:
    picture = draw_route(home, stops, title="A round", id_prefix="r")
    points = way(picture)
    assert points[0] == points[-1]
    assert len(points) == len(stops) + 2
    assert all(0 <= x <= 320 and 0 <= y <= 240 for x, y in points)


@given(POSITIONS, st.lists(POSITIONS, min_size=1, max_size=12))
@example((40.0, -74.0), [(40.009, -74.0)])  # the longest bar, at the longest words
def test_what_stands_at_the_foot_is_on_the_sheet_and_apart(
    home: tuple[float, float], stops: list[tuple[float, float]]
) -> None:
    root = read(draw_route(home, stops, title="A round", id_prefix="r"))
    bottom = float(root.attrib["viewBox"].split()[3])
    foot = [each for each in root.iter(f"{SVG}text") if float(each.attrib["y"]) > 240]
    assert len(foot) == 2
    boxes = []
    for each in foot:
        assert each.text is not None
        size, left, base = (float(each.attrib[name]) for name in ("font-size", "x", "y"))
        assert each.attrib.get("text-anchor", "start") == "start"
        boxes.append((left, left + text_width(each.text, size=size), base - size, base))
    assert all(left >= 0 and right <= 320 and below <= bottom for left, right, _, below in boxes)
    (left, right, above, below), (left2, right2, above2, below2) = boxes
    assert right < left2 or right2 < left or below < above2 or below2 < above


def test_stops_at_one_place_share_a_mark() -> None:
    picture = draw_route((40.0, -74.0), [(40.1, -74.0), (40.1, -74.0)], title="A & B", id_prefix="r")
    words = [each.text for each in read(picture).iter(f"{SVG}text")]
    assert "1, 2" in words
    assert any("km (" in str(word) for word in words)
    assert draw_route((40.0, -74.0), [(40.0, -74.0)], title="At home", id_prefix="r")
