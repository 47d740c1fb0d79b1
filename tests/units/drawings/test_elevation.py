"""The elevation: true to its dimensions, complete, legible and safe to put into a page."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from typing import get_args
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.units.drawings.reading import (
    INCH,
    NAMESPACE,
    NOTIFICATIONS,
    all_words,
    check_inside,
    check_legible,
    check_safe,
    corner_points,
    panel_areas,
    read,
    rectangle,
    sheet,
    unit_shapes,
)
from units.drawings import Corner, Mark, Release, Side, UnitShape, elevation
from units.geometry import panel_height, stepped_widths
from units.lengths import LengthUnit

STEPPED = UnitShape(
    width_mm=46 * INCH,
    height_mm=70 * INCH,
    panels=4,
    order="stepped",
    step_mm=INCH / 4,
    stack_end="top",
    release="pins",
    release_side="both",
    inside_edge_mm=INCH / 4,
)
EQUAL = UnitShape(
    width_mm=60 * INCH,
    height_mm=72 * INCH,
    panels=3,
    order="equal",
    lower_lite_mm=24 * INCH,
    stack_end="bottom",
    release="side spring",
    release_side="right",
    inside_edge_mm=INCH,
)
TWO = UnitShape(
    width_mm=Decimal("35.875") * INCH,
    height_mm=Decimal("48.03125") * INCH,
    panels=2,
    order="equal",
    has_screen=False,
)
UNMEASURED = UnitShape(width_mm=None, height_mm=None, panels=3, order="stepped", has_lower_lite=True)
TALL = replace(STEPPED, width_mm=24 * INCH, height_mm=96 * INCH, lower_lite_mm=8 * INCH)
WIDE = replace(STEPPED, width_mm=90 * INCH, height_mm=60 * INCH, panels=12, step_mm=INCH / 8)
SHAPES = [STEPPED, EQUAL, TWO, UNMEASURED, TALL, WIDE, replace(TWO, panels=None), replace(TWO, panels=1)]


def draw(shape: UnitShape, marks: tuple[Mark, ...] = (), unit: LengthUnit = "in") -> ET.Element:
    """Draw a shape and read the drawing back."""
    return read(elevation(shape, title="Unit P-12: east wall", id_prefix="p12", marks=marks, unit=unit))


def frame_of(root: ET.Element) -> tuple[float, float, float, float]:
    """Give the outline of the frame, the first rectangle drawn in ink."""
    frame = root.find(f"{NAMESPACE}g[@class='ink']/{NAMESPACE}rect[@class='ink']")
    assert frame is not None
    area = rectangle(frame)
    return area.left, area.top, area.right, area.bottom


def scale_of(root: ET.Element) -> float:
    """Give how many units of the sheet a millimeter is."""
    return float(root.attrib["data-px-per-mm"])


@pytest.mark.parametrize("shape", [STEPPED, EQUAL, TWO, TALL])
def test_the_frame_is_drawn_to_scale(shape: UnitShape) -> None:
    root = draw(shape)
    left, top, right, bottom = frame_of(root)
    assert shape.width_mm is not None
    assert shape.height_mm is not None
    assert right - left == pytest.approx(float(shape.width_mm) * scale_of(root), abs=0.02)
    assert bottom - top == pytest.approx(float(shape.height_mm) * scale_of(root), abs=0.02)


def test_stepped_panels_are_as_wide_as_the_track_leaves_them() -> None:
    root = draw(STEPPED)
    expected = stepped_widths(Decimal("45.5") * INCH, panels=4, step_mm=INCH / 4)
    left, _, right, _ = frame_of(root)
    for panel, area in panel_areas(root).items():
        assert (area.right - area.left) / scale_of(root) == pytest.approx(float(expected[panel - 1]), abs=0.1)
        assert (area.left + area.right) / 2 == pytest.approx((left + right) / 2, abs=0.02)


@pytest.mark.parametrize("shape", [STEPPED, EQUAL, TALL])
def test_panels_are_as_high_as_their_share_of_the_field(shape: UnitShape) -> None:
    root = draw(shape)
    assert shape.height_mm is not None
    assert shape.inside_edge_mm is not None
    field = shape.height_mm - (shape.lower_lite_mm or 0) - 2 * shape.inside_edge_mm
    expected = panel_height(field, panels=shape.panels or 0)
    for area in panel_areas(root).values():
        assert (area.bottom - area.top) / scale_of(root) == pytest.approx(float(expected), abs=0.1)


@pytest.mark.parametrize("shape", SHAPES)
def test_each_panel_stands_two_thirds_below_the_one_behind_it(shape: UnitShape) -> None:
    areas = panel_areas(draw(shape))
    assert sorted(areas) == list(range(1, (shape.panels or 0) + 1))
    for front, behind in pairwise(sorted(areas)):
        high = areas[front].bottom - areas[front].top
        assert areas[front].top - areas[behind].top == pytest.approx(high * 2 / 3, abs=0.02)


def test_panels_gather_at_the_end_they_stack_at() -> None:
    up, down = draw(STEPPED), draw(replace(STEPPED, stack_end="bottom"))
    edge = float(INCH) / 4 * scale_of(up)
    assert panel_areas(up)[4].top == pytest.approx(frame_of(up)[1] + edge, abs=0.02)
    assert panel_areas(down)[1].bottom == pytest.approx(frame_of(down)[3] - edge, abs=0.02)
    assert "Panels stack up." in all_words(up)
    assert "Panels stack down." in all_words(down)


def test_panels_stand_clear_of_the_lower_lite() -> None:
    root = draw(EQUAL)
    lite = root.find(f".//{NAMESPACE}rect[@class='lite']")
    assert lite is not None
    area = rectangle(lite)
    assert area.bottom - area.top == pytest.approx(float(24 * INCH) * scale_of(root), abs=0.02)
    assert all(panel.bottom <= area.top for panel in panel_areas(root).values())
    assert "fixed lower lite" in all_words(root)


def test_nearer_panels_cover_those_behind_them() -> None:
    groups = [
        int(element.attrib["data-panel"])
        for element in draw(STEPPED).findall(f"{NAMESPACE}g[@data-panel]")
        if "data-corner" not in element.attrib
    ]
    assert groups == [4, 3, 2, 1]


@pytest.mark.parametrize("shape", [STEPPED, EQUAL, WIDE])
def test_every_corner_of_every_panel_can_be_pointed_at(shape: UnitShape) -> None:
    root = draw(shape)
    centers = {}
    for element in root.findall(f"{NAMESPACE}g[@data-corner]"):
        target = element.find(f"{NAMESPACE}rect")
        assert target is not None
        assert target.attrib["pointer-events"] == "all"
        area = rectangle(target)
        key = (int(element.attrib["data-panel"]), element.attrib["data-corner"])
        centers[key] = ((area.left + area.right) / 2, (area.top + area.bottom) / 2)
        assert not any(area.overlaps(rectangle(other)) for other in other_targets(root, element))
    for panel, area in panel_areas(root).items():
        places = {
            "UL": (area.left, area.top),
            "UR": (area.right, area.top),
            "LL": (area.left, area.bottom),
            "LR": (area.right, area.bottom),
        }
        for corner, place in places.items():
            assert centers.pop((panel, corner)) == pytest.approx(place, abs=0.02)
    assert centers == {}


def other_targets(root: ET.Element, group: ET.Element) -> list[ET.Element]:
    """Give the areas to point at of all other corners."""
    return [
        target
        for element in root.findall(f"{NAMESPACE}g[@data-corner]")
        if element is not group
        for target in element.findall(f"{NAMESPACE}rect")
    ]


def test_sizes_are_written_in_the_unit_asked_for() -> None:
    assert {"60 in", "72 in", "48 in", "24 in"} <= set(all_words(draw(EQUAL)))
    assert {"1524 mm", "1828.8 mm", "1219.2 mm", "609.6 mm"} <= set(all_words(draw(EQUAL, unit="mm")))
    assert {"35 7/8 in", "48 1/32 in"} <= set(all_words(draw(TWO)))


def test_a_dimension_reaches_from_edge_to_edge() -> None:
    root = draw(STEPPED)
    left, top, right, bottom = frame_of(root)
    lines = [
        tuple(float(line.attrib[name]) for name in ("x1", "y1", "x2", "y2"))
        for line in root.findall(f"{NAMESPACE}g[@class='dim']/{NAMESPACE}line")
    ]
    assert any((x1, x2) == (left, right) and y1 == y2 > bottom for x1, y1, x2, y2 in lines)
    assert any((y1, y2) == (top, bottom) and x1 == x2 > right for x1, y1, x2, y2 in lines)


def test_what_is_not_measured_says_so_and_is_not_to_scale() -> None:
    root = draw(UNMEASURED)
    assert all_words(root).count("not measured") == 3
    assert "Height of the lower lite: not measured." in all_words(root)
    assert "Not to scale." in " ".join(all_words(root))
    assert "data-px-per-mm" not in root.attrib
    assert "To scale." in " ".join(all_words(draw(STEPPED)))
    assert "Frame to scale." in " ".join(all_words(draw(TWO)))


def test_a_size_without_room_beside_its_line_stands_below() -> None:
    words = all_words(draw(replace(EQUAL, lower_lite_mm=4 * INCH)))
    assert "Height of the lower lite: 4 in." in words
    assert "4 in" not in words


def test_a_slender_unit_is_drawn_in_stock_proportions() -> None:
    root = draw(replace(TWO, width_mm=Decimal(200), height_mm=Decimal(3000)))
    assert "Not to scale." in " ".join(all_words(root))
    assert "118 1/8 in" in all_words(root)


def test_uncounted_panels_are_not_invented() -> None:
    root = draw(replace(TWO, panels=None))
    assert "panels not counted" in all_words(root)
    assert panel_areas(root) == {}


@pytest.mark.parametrize(
    ("release", "side", "words", "springs", "pins"),
    [
        ("pins", "both", "Push pins on both sides.", 0, 8),
        ("pins", "left", "Push pins on the left.", 0, 4),
        ("pins", "unknown", "Push pins on a side not recorded.", 0, 0),
        ("side spring", "right", "push the panel toward it, then swing the left side out.", 4, 0),
        ("side spring", "left", "push the panel toward it, then swing the right side out.", 4, 0),
        ("side spring", "both", "Side spring on both sides.", 8, 0),
        ("unknown", "left", "How a panel is let go is not recorded.", 0, 0),
    ],
)
def test_the_release_is_named_and_drawn_on_its_side(
    release: Release, side: Side, words: str, springs: int, pins: int
) -> None:
    root = draw(replace(STEPPED, release=release, release_side=side))
    assert words in " ".join(all_words(root))
    assert words in (root[1].text or "")
    panels = [g for g in root.findall(f"{NAMESPACE}g[@data-panel]") if "data-corner" not in g.attrib]
    drawn = [spring for panel in panels for spring in panel.findall(f"{NAMESPACE}polyline")]
    assert len(drawn) == springs
    assert sum(len(panel.findall(f"{NAMESPACE}circle")) for panel in panels) == pins
    middle = sheet(root).right / 2
    if side == "right":
        assert all(x > middle for spring in drawn for x, _ in corner_points(spring))


def test_marks_stand_where_it_failed_and_are_listed() -> None:
    marks = (
        Mark(2, "UL", "corner key cracked"),
        Mark(3, None, "film torn"),
        Mark(2, "UL", "cracked again"),
    )
    root = draw(STEPPED, marks)
    words = " ".join(all_words(root))
    assert "Found here before" in words
    assert "Panel 2, upper left: corner key cracked; cracked again" in words
    assert "Panel 3: film torn" in words
    discs = root.findall(f"{NAMESPACE}g[@class='mark']/{NAMESPACE}circle")
    assert len(discs) == 4
    panel = panel_areas(root)[2]
    assert float(discs[0].attrib["cx"]) == pytest.approx(panel.left, abs=0.02)
    assert float(discs[0].attrib["cy"]) == pytest.approx(panel.top, abs=0.02)
    assert "Found before, 1: Panel 2, upper left: corner key cracked; cracked again." in (root[1].text or "")


def test_marks_may_be_plain_tuples() -> None:
    svg = elevation(STEPPED, title="P-12", id_prefix="p", marks=[(1, "LR", "opened")])  # type: ignore[list-item]
    assert "Panel 1, lower right: opened" in svg


def test_a_mark_at_a_place_that_is_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="There is no panel 5 to mark: the unit has 4 panels"):
        draw(STEPPED, (Mark(5, None, "torn"),))
    with pytest.raises(ValueError, match="There is no panel 1 to mark: the panels are not counted"):
        draw(replace(TWO, panels=None), (Mark(1, None, "torn"),))
    with pytest.raises(ValueError, match="corners UL, UR, LL and LR, not 'top'"):
        draw(STEPPED, (Mark(1, "top", "torn"),))  # type: ignore[arg-type]


def test_the_title_can_be_left_to_the_page() -> None:
    bare = read(elevation(STEPPED, title="Unit P-12", id_prefix="p12", titled=False))
    assert "Unit P-12" not in all_words(bare)
    assert bare[0].text == "Unit P-12"


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("unit", get_args(LengthUnit))
def test_the_usual_units_are_safe_inside_and_legible(shape: UnitShape, unit: LengthUnit) -> None:
    corners: tuple[Corner | None, ...] = (None, *get_args(Corner))
    marks = [
        Mark(panel, corner, f"worn, {panel} May 2024")
        for panel in range(1, (shape.panels or 0) + 1)
        for corner in corners
    ]
    for some in ((), tuple(marks)):
        root = draw(shape, some, unit)
        check_safe(root)
        check_inside(root)
        check_legible(root)


@given(shape=unit_shapes(), title=st.text(st.sampled_from(NOTIFICATIONS), max_size=80), data=st.data())
def test_any_unit_stays_on_the_sheet(shape: UnitShape, title: str, data: st.DataObject) -> None:
    panels = st.integers(1, shape.panels) if shape.panels else st.nothing()
    mark = st.builds(
        Mark,
        panel=panels,
        corner=st.sampled_from([None, *get_args(Corner)]),
        label=st.text(st.sampled_from(NOTIFICATIONS), max_size=60),
    )
    marks = data.draw(st.lists(mark, max_size=5)) if shape.panels else []
    root = read(elevation(shape, title=title, id_prefix="any", marks=marks))
    check_safe(root)
    check_inside(root)
    check_legible(root)


@given(title=st.text(max_size=60), label=st.text(max_size=200))
def test_any_words_make_a_well_formed_drawing(title: str, label: str) -> None:
    root = read(elevation(STEPPED, title=title, id_prefix="any", marks=[Mark(1, None, label)]))
    check_safe(root)


def test_words_are_never_read_as_markup() -> None:
    root = draw(STEPPED, (Mark(1, None, '<script>alert(1)</script> & "more"'),))
    check_safe(root)
    assert 'Panel 1: <script>alert(1)</script> & "more"' in " ".join(all_words(root))
