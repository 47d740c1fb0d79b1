"""Frame of an SVG chart: its title, its description and the text at its top."""

from __future__ import annotations

from typing import Final
from xml.etree import ElementTree as ET

from units.drawings.lettering import printable, text_width, wrap
from units.drawings.sheet import FADED, INK, WIDTH, text

MARGIN: Final = 4
SMALL: Final = 11
PLAIN: Final = 12
LARGE: Final = 13
HAIRLINE: Final = "#D9D3C5"


class Frame:
    """SVG chart under construction; ``y`` is the bottom of what is drawn so far."""

    def __init__(self, *, title: str, description: str, id_prefix: str) -> None:
        self.root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "role": "img",
                "aria-labelledby": f"{id_prefix}-title {id_prefix}-desc",
                "font-family": "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif",
            },
        )
        for tag, words in (("title", title), ("desc", description)):
            ET.SubElement(self.root, tag, {"id": f"{id_prefix}-{tag}"}).text = printable(words)
        self.y = 0.0

    def write(
        self,
        words: str,
        *,
        size: float = SMALL,
        bold: bool = False,
        fill: str = INK,
        room: float | None = None,
    ) -> None:
        """Write wrapped text below what is drawn so far."""
        width = WIDTH - 2 * MARGIN if room is None else room
        for line in wrap(words, width=width, size=size, bold=bold):
            self.y += round(size * 1.35)
            text(self.root, MARGIN, self.y, line, size=size, bold=bold, fill=fill)

    def label_below(self, x: float, y: float, words: str) -> None:
        """Write a tick label below its tick, moved in where it would leave the chart."""
        half = text_width(words, size=SMALL) / 2
        inside = min(max(x, half + 1), WIDTH - half - 1)
        text(self.root, inside, y, words, anchor="middle", fill=FADED)

    def finish(self) -> str:
        """Set the size of the chart and return it as SVG text."""
        self.root.set("viewBox", f"0 0 {WIDTH} {self.y + MARGIN:.2f}".rstrip("0").rstrip("."))
        return ET.tostring(self.root, encoding="unicode")


__all__ = ["FADED", "HAIRLINE", "INK", "LARGE", "MARGIN", "PLAIN", "SMALL", "WIDTH", "Frame"]
