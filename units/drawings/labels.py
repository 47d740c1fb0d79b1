"""Sheets of QR labels as SVG in millimeters (ISO/IEC 18004, encoded by segno).

Pure: addresses and names in, SVG out. The sheet is drawn at its true size, so it prints on bought label
sheets when the browser's print scale is 100 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from units.drawings.lettering import printable, text_width

QUIET_ZONE = 4
"""Empty modules around a code, as ISO/IEC 18004 section 9.1 asks for."""


@dataclass(frozen=True)
class SheetFormat:
    """A sheet of labels: the page, the label, how many across and down, and the first one's corner, in mm."""

    name: str
    page: tuple[float, float]
    label: tuple[float, float]
    columns: int
    rows: int
    corner: tuple[float, float]
    pitch: tuple[float, float]

    def __post_init__(self) -> None:
        for axis, number in ((0, self.columns), (1, self.rows)):
            last = self.corner[axis] + (number - 1) * self.pitch[axis] + self.label[axis]
            if number < 1 or self.label[axis] > self.pitch[axis] + 1e-9 or last > self.page[axis] + 0.05:
                raise ValueError(f"The labels of “{self.name}” do not fit on their page.")

    @property
    def each_page(self) -> int:
        """Number of labels on a page."""
        return self.columns * self.rows


FORMATS: dict[str, SheetFormat] = {
    "a4-21": SheetFormat(
        "A4, 3 × 7 labels of 63.5 × 38.1 mm", (210, 297), (63.5, 38.1), 3, 7, (7.25, 15.15), (66.04, 38.1)
    ),
    "a4-24": SheetFormat("A4, 3 × 8 labels of 70 × 37 mm", (210, 297), (70, 37), 3, 8, (0, 0.5), (70, 37)),
    "letter-30": SheetFormat(
        "Letter, 3 × 10 labels of 66.7 × 25.4 mm",
        (215.9, 279.4),
        (66.675, 25.4),
        3,
        10,
        (4.7625, 12.7),
        (69.85, 25.4),
    ),
    "letter-10": SheetFormat(
        "Letter, 2 × 5 labels of 101.6 × 50.8 mm",
        (215.9, 279.4),
        (101.6, 50.8),
        2,
        5,
        (4.7625, 12.7),
        (104.775, 50.8),
    ),
}


@dataclass(frozen=True)
class Label:
    """Contents of one label: a URL as a QR code, and lines of text beside it."""

    address: str
    lines: tuple[str, ...]


def draw_sheets(labels: Sequence[Label], sheet: SheetFormat, *, skip: int = 0) -> list[str]:
    """Draw labels on as many pages as they need; ``skip`` leaves out places at the start of the first.

    Raises
    ------
    ValueError
        When more labels are to be left out than a page has.
    """
    if not 0 <= skip < sheet.each_page:
        raise ValueError(f"A page has {sheet.each_page} labels: leave out from 0 to {sheet.each_page - 1}.")
    places = [*([None] * skip), *labels]
    pages = [places[first : first + sheet.each_page] for first in range(0, len(places), sheet.each_page)]
    return [_page(page, sheet, number) for number, page in enumerate(pages, start=1)]


def _page(labels: Sequence[Label | None], sheet: SheetFormat, number: int) -> str:
    wide, high = sheet.page
    root = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": f"{wide:g}mm",
            "height": f"{high:g}mm",
            "viewBox": f"0 0 {wide:g} {high:g}",
            "role": "img",
            "aria-label": f"Page {number} of the labels",
            "font-family": "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif",
        },
    )
    for place, label in enumerate(labels):
        if label is not None:
            row, column = divmod(place, sheet.columns)
            _draw(
                root,
                label,
                sheet.corner[0] + column * sheet.pitch[0],
                sheet.corner[1] + row * sheet.pitch[1],
                sheet.label,
            )
    return ET.tostring(root, encoding="unicode")


def _draw(root: ET.Element, label: Label, x: float, y: float, size: tuple[float, float]) -> None:
    import segno

    code = segno.make(label.address, error="m", micro=False)
    rows = [bytes(row) for row in code.matrix]
    modules = len(rows) + 2 * QUIET_ZONE
    side = min(size[1], size[0] / 2)
    module = side / modules
    path = "".join(
        f"M{column},{line}h1v1h-1z"
        for line, row in enumerate(rows, start=QUIET_ZONE)
        for column, dark in enumerate(row, start=QUIET_ZONE)
        if dark
    )
    top = y + (size[1] - side) / 2
    place = ET.SubElement(root, "g", {"transform": f"translate({x:.3f},{top:.3f}) scale({module:.5f})"})
    ET.SubElement(place, "path", {"d": path, "fill": "#000000"})
    room = size[0] - side - 2
    for number, words in enumerate(label.lines):
        lettering = 3.4 if number == 0 else 2.7
        lettering = min(lettering, room / max(text_width(words, size=1), 1e-6))
        text = ET.SubElement(
            root,
            "text",
            {
                "x": f"{x + side + 1:.2f}",
                "y": f"{y + size[1] / 2 - 2.2 * len(label.lines) + 3.4 + 4.4 * number:.2f}",
                "font-size": f"{lettering:.2f}",
                "fill": "#000000",
            },
        )
        text.text = printable(words)
