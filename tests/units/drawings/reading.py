"""Reading a drawing back: its shapes as numbers and its words as boxes, without the code that drew it.

Widths of letters are those of Helvetica (Adobe core 14 font metrics, from memory), a tenth wider to cover the
broader faces a phone may have.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal
from xml.etree import ElementTree as ET

from hypothesis import reject
from hypothesis import strategies as st

from units.drawings import UnitShape

NAMESPACE = "{http://www.w3.org/2000/svg}"
CLASSES = {"ink", "hair", "glass", "lite", "mesh", "dim", "mark"}
INCH = Decimal("25.4")

_HELVETICA = {
    **dict.fromkeys("'", 191),
    **dict.fromkeys("ijl", 222),
    **dict.fromkeys(" !,./:;ftI[]\\|", 278),
    **dict.fromkeys("-()r`{}", 333),
    '"': 355,
    "*": 389,
    "^": 469,
    **dict.fromkeys("ckvxyszJ", 500),
    **dict.fromkeys("0123456789abdeghnopqu?L$#_", 556),
    **dict.fromkeys("+=<>~", 584),
    **dict.fromkeys("FTZ", 611),
    **dict.fromkeys("ABEKPSVXY&", 667),
    **dict.fromkeys("CDHNRUw", 722),
    **dict.fromkeys("GOQ", 778),
    **dict.fromkeys("mM", 833),
    "%": 889,
    "W": 944,
    "@": 1015,
    "\u2026": 1000,
}
NOTIFICATIONS = "".join(_HELVETICA)


@dataclass(frozen=True)
class Area:
    """A rectangle on the drawing by its four edges."""

    left: float
    top: float
    right: float
    bottom: float
    words: str = ""

    def overlaps(self, other: Area) -> bool:
        """Whether two areas share more than a hair."""
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        return across > 0.5 and down > 0.5


def helvetica_width(words: str, *, size: float, bold: bool = False) -> float:
    """Give the width of words in Helvetica, bold reckoned a tenth wider."""
    return sum(_HELVETICA[notification] for notification in words) / 1000 * size * (1.1 if bold else 1)


def read(svg: str) -> ET.Element:
    """Parse a drawing, which must be well-formed XML."""
    root = ET.fromstring(svg)  # noqa: S314 - reads only what our own code has just drawn
    assert root.tag == f"{NAMESPACE}svg"
    return root


def sheet(root: ET.Element) -> Area:
    """Give the area the view box spans."""
    left, top, width, height = map(float, root.attrib["viewBox"].split())
    return Area(left, top, left + width, top + height)


def all_words(root: ET.Element) -> list[str]:
    """Give every line of lettering, in order."""
    return [element.text or "" for element in root.iter(f"{NAMESPACE}text")]


def lettering(root: ET.Element) -> list[Area]:
    """Give the box of every line of lettering, from cap height to descender."""
    boxes = []
    for element in root.iter(f"{NAMESPACE}text"):
        words, size = element.text or "", float(element.attrib["font-size"])
        width = 1.1 * helvetica_width(words, size=size, bold="font-weight" in element.attrib)
        x, y = float(element.attrib["x"]), float(element.attrib["y"])
        start = {"start": 0.0, "middle": -width / 2, "end": -width}[element.attrib["text-anchor"]]
        up, down = 0.74 * size, 0.22 * size
        if "transform" in element.attrib:
            assert element.attrib["transform"].startswith("rotate(-90 ")
            boxes.append(Area(x - up, y - start - width, x + down, y - start, words))
        else:
            boxes.append(Area(x + start, y - up, x + start + width, y + down, words))
    return boxes


def shapes(root: ET.Element) -> list[Area]:
    """Give the area of every line, rectangle, disc and traced figure."""
    areas = []
    for element in root.iter():
        numbers = {name: float(value) for name, value in element.attrib.items() if _is_place(name)}
        match element.tag.removeprefix(NAMESPACE):
            case "rect":
                assert numbers["width"] >= 0
                assert numbers["height"] >= 0
                areas.append(rectangle(element))
            case "line":
                xs, ys = (numbers["x1"], numbers["x2"]), (numbers["y1"], numbers["y2"])
                areas.append(Area(min(xs), min(ys), max(xs), max(ys)))
            case "circle":
                x, y, r = numbers["cx"], numbers["cy"], numbers["r"]
                areas.append(Area(x - r, y - r, x + r, y + r))
            case "polyline" | "polygon":
                points = corner_points(element)
                across, down = [x for x, _ in points], [y for _, y in points]
                areas.append(Area(min(across), min(down), max(across), max(down)))
    return areas


def rectangle(element: ET.Element) -> Area:
    """Give the area of a rectangle element."""
    x, y, width, height = (float(element.attrib[name]) for name in ("x", "y", "width", "height"))
    return Area(x, y, x + width, y + height)


def corner_points(element: ET.Element) -> list[tuple[float, float]]:
    """Give the points a figure is traced through."""
    pairs = (pair.split(",") for pair in element.attrib["points"].split())
    return [(float(x), float(y)) for x, y in pairs]


def panel_areas(root: ET.Element) -> dict[int, Area]:
    """Give the outline of each panel, from its first to its last rectangle of glass."""
    areas = {}
    for element in root.iter(f"{NAMESPACE}g"):
        if "data-panel" in element.attrib and "data-corner" not in element.attrib:
            pieces = [rectangle(piece) for piece in element.findall(f"{NAMESPACE}rect[@class='glass']")]
            areas[int(element.attrib["data-panel"])] = Area(
                pieces[0].left, pieces[0].top, pieces[-1].right, pieces[0].bottom
            )
    return areas


def check_safe(root: ET.Element, *, classes: Collection[str] = CLASSES) -> None:
    """Assert that nothing in a drawing needs a style, a script or another file, and that it has a name."""
    ids = [element.attrib["id"] for element in root.iter() if "id" in element.attrib]
    assert len(ids) == len(set(ids))
    for element in root.iter():
        tag = element.tag.removeprefix(NAMESPACE)
        assert tag not in {"style", "script", "a", "image", "use", "foreignObject", "animate", "set"}
        assert set(element.attrib.get("class", "ink").split()) <= set(classes)
        for name, value in element.attrib.items():
            assert name != "style"
            assert not name.startswith("on")
            assert "href" not in name
            if value.startswith("url("):
                assert value.removeprefix("url(#").removesuffix(")") in ids
    assert root.attrib["role"] == "img"
    title, desc = root.attrib["aria-labelledby"].split()
    assert root[0].tag == f"{NAMESPACE}title"
    assert root[0].attrib["id"] == title
    assert root[1].tag == f"{NAMESPACE}desc"
    assert root[1].attrib["id"] == desc
    assert root[1].text


def check_inside(root: ET.Element) -> None:
    """Assert that every number is finite and everything lies on the sheet."""
    page = sheet(root)
    for element in root.iter():
        for name, value in element.attrib.items():
            if _is_place(name):
                assert math.isfinite(float(value))
    for area in (*shapes(root), *lettering(root)):
        assert page.left <= area.left <= area.right <= page.right, area
        assert page.top <= area.top <= area.bottom <= page.bottom, area


def check_legible(root: ET.Element) -> None:
    """Assert that no lettering is small on a narrow phone and no two lines of it run into each other."""
    assert sheet(root).right <= 320
    sizes = [float(element.attrib["font-size"]) for element in root.iter(f"{NAMESPACE}text")]
    assert min(sizes) >= 11
    boxes = lettering(root)
    for place, box in enumerate(boxes):
        for other in boxes[place + 1 :]:
            assert not box.overlaps(other), (box, other)


def _is_place(name: str) -> bool:
    return bool(re.fullmatch(r"[xyr]|[cxy][xy12]|width|height|font-size|stroke-width", name))


def _lengths(smallest: int, largest: int) -> st.SearchStrategy[Decimal]:
    return st.integers(smallest * 32, largest * 32).map(lambda count: Decimal(count) * INCH / 32)


@st.composite
def unit_shapes(draw: st.DrawFn) -> UnitShape:
    """Any unit that can be recorded, measured or not."""
    panels = draw(st.none() | st.integers(1, 12))
    try:
        return UnitShape(
            width_mm=draw(st.none() | _lengths(1, 393)),
            height_mm=draw(st.none() | _lengths(1, 393)),
            panels=panels,
            order=draw(st.sampled_from(["stepped", "equal"])),
            step_mm=draw(st.none() | _lengths(0, 1).filter(bool)),
            lower_lite_mm=draw(st.none() | _lengths(1, 40)),
            has_lower_lite=draw(st.booleans()),
            stack_end=draw(st.sampled_from(["top", "bottom", "unknown"])),
            release=draw(st.sampled_from(["pins", "side spring", "unknown"])),
            release_side=draw(st.sampled_from(["left", "right", "both", "unknown"])),
            has_screen=draw(st.booleans()),
            inside_edge_mm=draw(st.none() | _lengths(0, 2).filter(bool)),
            panel_width_mm=draw(st.none() | _lengths(1, 393)),
        )
    except ValueError:
        reject()
