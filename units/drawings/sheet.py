"""SVG primitives of the drawings: sheet, lines, text, hatches and dimensions.

The sheet is 320 units wide, so that on a phone 320 pixels wide a unit is a pixel and no lettering is smaller
than 11. It carries no style and no script, only presentation attributes and class names: it passes the
strictest content security policy, prints without a style sheet, and can be restyled by one. The classes are
``ink`` outlines and plain lettering, ``hair`` thin and hidden lines, ``glass``, ``lite``, ``mesh``, ``dim``
dimensions and their figures, ``mark`` places that failed before.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

from units.drawings.lettering import printable, wrap

WIDTH: Final = 320
MARGIN: Final = 12
INK: Final = "#1D2733"
FADED: Final = "#56616B"
BLUEPRINT: Final = "#1F4E79"
PAPER: Final = "#FFFFFF"

SMALL: Final = 11
PLAIN: Final = 12
LARGE: Final = 13

_LINES: Final = {
    "ink": {"stroke": INK, "stroke-width": "1.5", "fill": "none"},
    "hair": {"stroke": FADED, "stroke-width": "0.75", "fill": "none"},
    "dim": {"stroke": BLUEPRINT, "stroke-width": "0.75", "fill": "none"},
    "glass": {"stroke": INK, "stroke-width": "1.25", "fill": "#EDF2F6"},
    "mark": {"stroke": PAPER, "stroke-width": "1.5", "fill": INK},
}
_TICK: Final = 3.5
_ID: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]*", re.ASCII)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the sheet."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.x + self.width

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.y + self.height

    @property
    def middle(self) -> float:
        """Halfway between left and right."""
        return self.x + self.width / 2


class Sheet:
    """An SVG drawing under construction: shapes are added to groups, text runs down the page."""

    def __init__(self, *, title: str, view: str, id_prefix: str, titled: bool) -> None:
        if not _ID.fullmatch(id_prefix):
            raise ValueError(
                f"The id prefix {id_prefix!r} must begin with a letter; letters, digits, - and _ may follow."
            )
        self.id_prefix = id_prefix
        self.root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "role": "img",
                "aria-labelledby": f"{id_prefix}-title {id_prefix}-desc",
                "font-family": "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif",
                "stroke-linejoin": "round",
            },
        )
        self._title = _child(self.root, "title", {"id": f"{id_prefix}-title"})
        self._title.text = printable(title)
        self._desc = _child(self.root, "desc", {"id": f"{id_prefix}-desc"})
        self._hatches(_child(self.root, "defs", {}))
        self.y = 4.0
        if titled:
            self.write(title, size=LARGE, bold=True, most=4)
        self.write(view, fill=FADED)

    def write(
        self,
        words: str,
        *,
        size: float = SMALL,
        bold: bool = False,
        fill: str = INK,
        indent: float = 0,
        gap: float = 0,
        most: int = 99,
    ) -> None:
        """Write words below what is there, broken into lines."""
        self.y += gap
        room = WIDTH - 2 * MARGIN - indent
        for line in wrap(words, width=room, size=size, bold=bold, most=most):
            self.y += round(size * 1.4)
            text(self.root, MARGIN + indent, self.y, line, size=size, bold=bold, fill=fill)

    def hatch(self, name: str) -> str:
        """Fill reference of a hatch: ``mesh``, ``lite`` or ``cut``."""
        return f"url(#{self.id_prefix}-{name})"

    def finish(self, description: str) -> str:
        """Close the sheet below the last line of text and return its SVG."""
        self._desc.text = printable(description)
        self.root.set("viewBox", f"0 0 {WIDTH} {_figure(self.y + MARGIN)}")
        return ET.tostring(self.root, encoding="unicode")

    def _hatches(self, defs: ET.Element) -> None:
        for name, spacing, turn, color in (
            ("mesh", 4, 0, FADED),
            ("lite", 7, 45, BLUEPRINT),
            ("cut", 4, 45, FADED),
        ):
            pattern = _child(
                defs,
                "pattern",
                {
                    "id": f"{self.id_prefix}-{name}",
                    "width": str(spacing),
                    "height": str(spacing),
                    "patternUnits": "userSpaceOnUse",
                    "patternTransform": f"rotate({turn})",
                },
            )
            shape = f"M0 0V{spacing}M0 0H{spacing}" if name == "mesh" else f"M0 0V{spacing}"
            _child(pattern, "path", {"d": shape, "stroke": color, "stroke-width": "0.7", "fill": "none"})


def group(parent: ET.Element, **attributes: str) -> ET.Element:
    """Open a group; underscores in names stand for hyphens, as in ``data_panel``."""
    return _child(
        parent, "g", {name.replace("_", "-").rstrip("-"): value for name, value in attributes.items()}
    )


def rectangle(parent: ET.Element, box: Box, *, kind: str, **attributes: str) -> None:
    """Draw a box in the line of its kind; attributes override the kind's own."""
    place = {"x": box.x, "y": box.y, "width": box.width, "height": box.height}
    _child(parent, "rect", _placed(place, kind, attributes))


def line(
    parent: ET.Element, x1: float, y1: float, x2: float, y2: float, *, kind: str, **attributes: str
) -> None:
    """Draw a straight line."""
    _child(parent, "line", _placed({"x1": x1, "y1": y1, "x2": x2, "y2": y2}, kind, attributes))


def trace(
    parent: ET.Element,
    points: list[tuple[float, float]],
    *,
    kind: str,
    closed: bool = False,
    **attributes: str,
) -> None:
    """Draw a line through points, or the area they enclose."""
    joined = " ".join(f"{_figure(x)},{_figure(y)}" for x, y in points)
    tag = "polygon" if closed else "polyline"
    _child(parent, tag, {"points": joined, **_placed({}, kind, attributes)})


def disc(parent: ET.Element, x: float, y: float, radius: float, *, kind: str, **attributes: str) -> None:
    """Draw a disc or a ring."""
    _child(parent, "circle", _placed({"cx": x, "cy": y, "r": radius}, kind, attributes))


def text(
    parent: ET.Element,
    x: float,
    y: float,
    words: str,
    *,
    size: float = SMALL,
    bold: bool = False,
    fill: str = INK,
    anchor: str = "start",
    kind: str = "ink",
    upright: bool = True,
) -> None:
    """Write one line at its baseline; not upright means read from the right-hand side."""
    element = _child(
        parent,
        "text",
        {
            "x": _figure(x),
            "y": _figure(y),
            "class": kind,
            "font-size": _figure(size),
            "fill": fill,
            "stroke": "none",
            "text-anchor": anchor,
        },
    )
    if bold:
        element.set("font-weight", "700")
    if not upright:
        element.set("transform", f"rotate(-90 {_figure(x)} {_figure(y)})")
    element.text = printable(words)


def dimension_across(parent: ET.Element, x1: float, x2: float, *, edge: float, y: float, words: str) -> None:
    """Draw a dimension below an object whose lower edge is given."""
    lines = group(parent, class_="dim")
    for x in (x1, x2):
        line(lines, x, edge + 3, x, y + _TICK, kind="dim")
        line(lines, x - _TICK, y + _TICK, x + _TICK, y - _TICK, kind="dim", stroke_width="1.5")
    line(lines, x1, y, x2, y, kind="dim")
    text(lines, (x1 + x2) / 2, y + 13, words, anchor="middle", kind="dim", fill=BLUEPRINT)


def dimension_up(parent: ET.Element, y1: float, y2: float, *, edge: float, x: float, words: str) -> None:
    """Draw a dimension to the right of an object whose right edge is given; no words, no figure."""
    lines = group(parent, class_="dim")
    for y in (y1, y2):
        line(lines, edge + 3, y, x + _TICK, y, kind="dim")
        line(lines, x - _TICK, y + _TICK, x + _TICK, y - _TICK, kind="dim", stroke_width="1.5")
    line(lines, x, y1, x, y2, kind="dim")
    if words:
        text(
            lines,
            x + 13,
            (y1 + y2) / 2,
            words,
            anchor="middle",
            kind="dim",
            fill=BLUEPRINT,
            upright=False,
        )


def _placed(numbers: dict[str, float], kind: str, attributes: dict[str, str]) -> dict[str, str]:
    """Merge coordinates, the presentation of a kind and overrides; a patch has no class to restyle."""
    return {
        **{name: _figure(value) for name, value in numbers.items()},
        **({"class": kind} if kind != "patch" else {}),
        **_LINES.get(kind, {"stroke": "none"}),
        **{name.replace("_", "-"): value for name, value in attributes.items()},
    }


def _child(parent: ET.Element, tag: str, attributes: dict[str, str]) -> ET.Element:
    return ET.SubElement(parent, tag, attributes)


def _figure(value: float) -> str:
    """Write a coordinate to a hundredth of a unit, without trailing zeros."""
    shown = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if shown == "-0" else shown
