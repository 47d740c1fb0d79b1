"""The section of the track: widths and steps at one scale, the order of taking out, legible and safe."""

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
    unit_shapes,
)
from units.drawings import UnitShape, plan
from units.geometry import stepped_widths
from units.lengths import LengthUnit

STEPPED = UnitShape(
    width_mm=46 * INCH,
    height_mm=70 * INCH,
    panels=4,
    order="stepped",
    step_mm=INCH / 4,
    inside_edge_mm=INCH / 4,
)
EQUAL = UnitShape(
    width_mm=60 * INCH, height_mm=72 * INCH, panels=3, order="equal", inside_edge_mm=INCH, has_screen=False
)
UNMEASURED = UnitShape(width_mm=None, height_mm=None, panels=3, order="stepped")
SHAPES = [
    STEPPED,
    EQUAL,
    UNMEASURED,
    replace(STEPPED, panels=12, step_mm=INCH / 8, width_mm=90 * INCH),
    replace(STEPPED, inside_edge_mm=None),
    replace(EQUAL, inside_edge_mm=None),
    replace(EQUAL, panel_width_mm=57 * INCH),
    replace(EQUAL, panels=None),
    replace(STEPPED, panels=1),
]


def draw(shape: UnitShape, unit: LengthUnit = "in") -> ET.Element:
    """Draw a shape's track and read the drawing back."""
    return read(plan(shape, title="Unit P-12: east wall", id_prefix="p12", unit=unit))


@pytest.mark.parametrize(
    "shape",
    [
        STEPPED,
        replace(STEPPED, panels=12, step_mm=INCH / 8),
        replace(STEPPED, width_mm=24 * INCH, step_mm=INCH * 3 / 8),
        replace(STEPPED, width_mm=40 * INCH, step_mm=INCH),
        replace(STEPPED, panel_width_mm=45 * INCH),
    ],
)
def test_steps_and_widths_have_one_scale(shape: UnitShape) -> None:
    root = draw(shape)
    scale, cut = float(root.attrib["data-px-per-mm"]), float(root.attrib["data-cut-mm"])
    assert shape.step_mm is not None
    assert shape.width_mm is not None
    widest = shape.panel_width_mm or shape.width_mm - 2 * (shape.inside_edge_mm or 0)
    expected = stepped_widths(widest, panels=shape.panels or 0, step_mm=shape.step_mm)
    areas = panel_areas(root)
    for panel, width in enumerate(expected, start=1):
        drawn = (areas[panel].right - areas[panel].left) / scale + cut
        assert drawn == pytest.approx(float(width), abs=0.02 / scale)
    for outer, inner in pairwise(sorted(areas)):
        assert (areas[inner].left - areas[outer].left) / scale == pytest.approx(
            float(shape.step_mm), abs=0.02 / scale
        )
        assert (areas[outer].right - areas[inner].right) / scale == pytest.approx(
            float(shape.step_mm), abs=0.02 / scale
        )


def test_small_steps_are_enlarged_until_they_can_be_seen() -> None:
    areas = panel_areas(draw(STEPPED))
    assert all(areas[k + 1].left - areas[k].left >= 6 for k in (1, 2, 3))
    assert "The middle is left out." in " ".join(all_words(draw(STEPPED)))


def test_equal_panels_are_drawn_whole() -> None:
    root = draw(EQUAL)
    assert float(root.attrib["data-cut-mm"]) == 0
    areas = panel_areas(root)
    assert len({(area.left, area.right) for area in areas.values()}) == 1
    wide = (areas[1].right - areas[1].left) / float(root.attrib["data-px-per-mm"])
    assert wide == pytest.approx(float(58 * INCH), abs=0.1)


def test_channels_run_from_the_inside_to_the_screen() -> None:
    root = draw(STEPPED)
    areas = panel_areas(root)
    assert [areas[k].top for k in (1, 2, 3, 4)] == sorted(areas[k].top for k in (1, 2, 3, 4))
    heights = {element.text: float(element.attrib["y"]) for element in root.iter(f"{NAMESPACE}text")}
    assert heights["inside"] < areas[1].top
    assert areas[4].bottom < heights["screen"] < heights["outside"]
    assert "screen" not in all_words(draw(EQUAL))


def test_each_panel_fills_its_channel_from_jamb_to_jamb() -> None:
    root = draw(STEPPED)
    left, right = (corner_points(jamb) for jamb in root.iter(f"{NAMESPACE}polygon"))
    for area in panel_areas(root).values():
        middle = (area.top + area.bottom) / 2
        for jamb, edge in ((left, area.left), (right, area.right)):
            walls = [x for (x, y), (x2, y2) in pairwise(jamb) if x == x2 and y < middle < y2]
            assert edge in walls


def test_each_panel_is_labeled_with_its_width() -> None:
    words = all_words(draw(STEPPED))
    assert [words[words.index(str(k)) + 1] for k in (1, 2, 3, 4)] == [
        "45 1/2 in",
        "45 in",
        "44 1/2 in",
        "44 in",
    ]
    assert "frame 46 in" in words
    assert "Inside edge of the frame: 1/4 in." in words
    assert "Step between channels, each side: 1/4 in." in words
    assert "measure a panel before you cut" in " ".join(words)
    assert "frame 1168.4 mm" in all_words(draw(STEPPED, "mm"))


def test_a_measured_panel_is_not_called_reckoned() -> None:
    words = all_words(draw(replace(STEPPED, panel_width_mm=45 * INCH)))
    assert "45 in" in words
    assert "reckoned" not in " ".join(words)


def test_without_a_width_only_the_difference_is_told() -> None:
    words = all_words(draw(replace(STEPPED, inside_edge_mm=None)))
    labels = [words[words.index(str(k)) + 1] for k in (1, 2, 3, 4)]
    assert labels == ["widest", "1/2 in less", "1 in less", "1 1/2 in less"]
    assert "Steps to scale" in " ".join(words)


def test_what_is_not_measured_says_so_and_is_not_to_scale() -> None:
    root = draw(UNMEASURED)
    words = all_words(root)
    assert "frame not measured" in words
    assert "Inside edge of the frame: not measured." in words
    assert "Step between channels, each side: not measured." in " ".join(words)
    assert words.count("narrower") == 2
    assert "Not to scale." in " ".join(words)
    assert "data-px-per-mm" not in root.attrib
    equal = draw(replace(EQUAL, inside_edge_mm=None))
    assert all_words(equal).count("width not measured") == 3
    assert "data-px-per-mm" not in equal.attrib


def test_the_order_stands_below_in_numbers_and_words() -> None:
    words = " ".join(all_words(draw(STEPPED)))
    assert "Take out 1, 2, 3, 4 From the inside out: the widest panel comes first." in words
    assert "Put back 4, 3, 2, 1 The narrowest goes in first, next to the screen." in words
    assert "Hold each panel before you let it go" in words
    equal = " ".join(all_words(draw(EQUAL)))
    assert "Take out 1, 2, 3 Any order works" in equal


def test_uncounted_panels_are_not_invented() -> None:
    root = draw(replace(EQUAL, panels=None))
    assert panel_areas(root) == {}
    assert "panels not counted" in all_words(root)
    assert "Count the panels first" in " ".join(all_words(root))
    assert "Take out" not in " ".join(all_words(root))


def test_the_description_says_what_is_drawn() -> None:
    description = draw(STEPPED)[1].text or ""
    assert (
        "channel 1: 45 1/2 in; channel 2: 45 in; channel 3: 44 1/2 in; channel 4: 44 in; then the screen"
        in description
    )
    assert "Take out 1, 2, 3, 4." in description
    assert "no screen" in (draw(EQUAL)[1].text or "")


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("unit", get_args(LengthUnit))
def test_the_usual_units_are_safe_inside_and_legible(shape: UnitShape, unit: LengthUnit) -> None:
    root = draw(shape, unit)
    check_safe(root)
    check_inside(root)
    check_legible(root)


@given(
    shape=unit_shapes(),
    title=st.text(st.sampled_from(NOTIFICATIONS), max_size=80),
    unit=st.sampled_from(get_args(LengthUnit)),
)
def test_any_unit_stays_on_the_sheet(shape: UnitShape, title: str, unit: LengthUnit) -> None:
    root = read(plan(shape, title=title, id_prefix="any", unit=unit))
    check_safe(root)
    check_inside(root)
    check_legible(root)


def test_odd_millimeters_find_room() -> None:
    odd = replace(STEPPED, width_mm=Decimal("1168.400001"), inside_edge_mm=None, step_mm=Decimal("6.350001"))
    root = draw(odd, "mm")
    check_legible(root)
    assert "12.700002 mm less" in all_words(root)
