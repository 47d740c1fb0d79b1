"""Areas to point at: large enough for a finger, above all else, and apart from each other."""

from __future__ import annotations

from decimal import Decimal
from itertools import combinations
from xml.etree import ElementTree as ET

import pytest

from tests.units.drawings.reading import read
from units.drawings import UnitShape, elevation
from units.drawings.targets import FINGER

SMALLEST = 48  # units of the sheet: 44 pixels on a phone 360 pixels wide


def shape(panels: int, **changes: object) -> UnitShape:
    """A unit, measured unless said otherwise."""
    sizes: dict[str, object] = {"width_mm": Decimal(900), "height_mm": Decimal(1400), "order": "equal"}
    return UnitShape(panels=panels, **{**sizes, **changes})  # type: ignore[arg-type]


SHAPES = [
    *(shape(panels) for panels in (1, 2, 3, 4, 6, 12)),
    *(shape(4, stack_end=end, order="stepped") for end in ("top", "bottom")),
    shape(4, width_mm=None, height_mm=None, has_lower_lite=True),
    shape(3, width_mm=Decimal(500), height_mm=Decimal(2400)),
    shape(4, width_mm=Decimal(2400), height_mm=Decimal(700)),
]


def areas(root: ET.Element) -> dict[tuple[str, str], tuple[float, ...]]:
    """Every area by its panel and corner: left, top, width, height."""
    return {
        (area.attrib["data-panel"], area.attrib.get("data-corner", "")): tuple(
            float(area.attrib[name]) for name in ("x", "y", "width", "height")
        )
        for area in root.iter()
        if "data-panel" in area.attrib
    }


@pytest.mark.parametrize("unit", SHAPES, ids=repr)
def test_every_area_is_as_large_as_a_finger_and_drawn_last(unit: UnitShape) -> None:
    root = read(elevation(unit, title="U-1", id_prefix="e", pick=True))
    targets = areas(root)
    assert len(targets) == 5 * (unit.panels or 0)
    assert min(min(width, height) for _, _, width, height in targets.values()) >= SMALLEST
    shapes = [child for child in root if child.tag.endswith("g")]
    targets = next(child for child in shapes if child.get("class") == "targets")
    after = shapes[shapes.index(targets) + 1 :]
    assert not [child for child in after if child.iter() and "data-shows" in child.attrib]


@pytest.mark.parametrize("unit", SHAPES, ids=repr)
def test_areas_of_panels_and_of_one_panels_corners_do_not_overlap(unit: UnitShape) -> None:
    targets = areas(read(elevation(unit, title="U-1", id_prefix="e", pick=True)))
    panels = {key: area for key, area in targets.items() if not key[1]}
    groups = [panels]
    for number, _ in panels:
        groups.append({key: area for key, area in targets.items() if key[0] == number and key[1]})
    for group in groups:
        for one, other in combinations(group.values(), 2):
            across = min(one[0] + one[2], other[0] + other[2]) - max(one[0], other[0])
            down = min(one[1] + one[3], other[1] + other[3]) - max(one[1], other[1])
            assert across <= 0.02 or down <= 0.02


def test_a_drawing_without_areas_is_as_before() -> None:
    plain = elevation(shape(3), title="U-1", id_prefix="e")
    assert "data-shows" not in plain
    assert "targets" not in plain
    assert FINGER >= SMALLEST
