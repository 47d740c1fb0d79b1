"""Touch targets over the drawing of a unit, each large enough for a finger in a glove."""

from __future__ import annotations

from typing import Final
from xml.etree import ElementTree as ET

from units.drawings.shape import CORNER_WORDS, Corner
from units.drawings.sheet import Box, group, rectangle

FINGER: Final = 50
"""Width and height of an area, in units of the sheet: 46 pixels on a phone 360 pixels wide."""
LOWEST_PANEL: Final = 76
"""A panel so high shows two thirds of its height, more than a finger, where the next one stands before it."""


def draw_targets(root: ET.Element, panels: tuple[Box, ...]) -> None:
    """Add a touch target over the visible part of each panel, and above these its corners.

    Two corners of neighboring panels are closer together than a finger is wide. So the corners of a panel are
    a group of their own (``data-corners``), shown only while that panel is chosen.
    """
    targets = group(root, class_="targets")
    for number in range(len(panels), 0, -1):
        rectangle(
            targets,
            _seen(panels, number),
            kind="patch",
            fill="none",
            pointer_events="all",
            data_panel=str(number),
        )
    for number, box in enumerate(panels, start=1):
        corners = group(targets, data_corners=str(number))
        for corner in CORNER_WORDS:
            rectangle(
                corners,
                _corner_area(box, corner),
                kind="patch",
                fill="none",
                pointer_events="all",
                data_panel=str(number),
                data_corner=corner,
            )


def _seen(panels: tuple[Box, ...], number: int) -> Box:
    """Part of a panel that the one before it leaves free: its upper two thirds."""
    box = panels[number - 1]
    if number == 1:
        return box
    front = panels[number - 2]
    return Box(box.x, box.y, box.width, max(front.y - box.y, 1))


def _corner_area(box: Box, corner: Corner) -> Box:
    """Target area of a corner, reaching inward to the middle of the panel at most."""
    inward = min(FINGER / 2, box.height / 2, box.width / 2)
    x = box.x - FINGER + inward if corner[1] == "L" else box.right - inward
    y = box.y - FINGER + inward if corner[0] == "U" else box.bottom - inward
    return Box(max(x, 0), max(y, 0), FINGER, FINGER)
