"""PDF rendering of a document. This module imports no Django."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from io import BytesIO
from typing import Any, Final
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    ListFlowable,
    PageTemplate,
    Paragraph,
    Spacer,
    TableStyle,
)
from reportlab.platypus import Table as Grid
from svglib.svglib import svg2rlg

from servicedesk.reports.annual_report.blocks import Block, Heading, Paper, Pictures, Points, Table, Words

logging.getLogger("svglib").setLevel(logging.ERROR)  # it warns of every attribute it ignores

INK, FADED, HAIRLINE = HexColor("#1D2733"), HexColor("#56616B"), HexColor("#D9D3C5")
MARGIN: Final = 18 * mm
GAP: Final = 5 * mm
SVG_FONTS: Final = "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif"

PLAIN = ParagraphStyle("plain", fontName="Helvetica", fontSize=9, leading=12.5, textColor=INK, spaceAfter=4)
LEAD = ParagraphStyle("lead", PLAIN, fontSize=10.5, leading=14)
SMALL = ParagraphStyle("small", PLAIN, fontSize=7.5, leading=9.5, spaceAfter=0)
NUMBER = ParagraphStyle("number", SMALL, alignment=TA_RIGHT)
HEAD = ParagraphStyle("head", SMALL, fontName="Helvetica-Bold")
HEAD_NUMBER = ParagraphStyle("head number", HEAD, alignment=TA_RIGHT)
TITLE = ParagraphStyle("title", PLAIN, fontName="Helvetica-Bold", fontSize=18, leading=22, spaceAfter=4)
SECTION = ParagraphStyle(
    "section", PLAIN, fontName="Helvetica-Bold", fontSize=12.5, leading=16, spaceBefore=12, spaceAfter=4
)
LEFT, RIGHT = 2, 4
PADDING: Final = LEFT + RIGHT + 1  # one point more, as sums of widths are rounded
RULED = TableStyle(
    [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, HAIRLINE),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), LEFT),
        ("RIGHTPADDING", (0, 0), (-1, -1), RIGHT),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
)


def set_on_paper(paper: Paper, *, company: str, printed: str) -> bytes:
    """Render a document as a PDF on letter paper.

    Parameters
    ----------
    paper
        The document.
    company
        Company name in the footer of every page.
    printed
        Date in the footer, in words; the same words give the same bytes.

    Returns
    -------
    bytes
        A PDF. Characters that its standard fonts lack become question marks.
    """
    width, height = LETTER
    out = BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=LETTER,
        title=_printable(paper.title),
        author=_printable(company),
        subject=_printable(paper.about),
        lang="en-US",
        invariant=1,
    )
    room = Frame(MARGIN, MARGIN + 8 * mm, width - 2 * MARGIN, height - 2 * MARGIN - 8 * mm, 0, 0, 0, 0)

    def foot(canvas: Canvas, _: BaseDocTemplate) -> None:
        canvas.saveState()
        canvas.setFont("Helvetica", 7.5)
        canvas.setFillColor(FADED)
        canvas.drawString(MARGIN, MARGIN, _printable(f"{company}, {printed}"))
        canvas.drawRightString(width - MARGIN, MARGIN, f"{canvas.getPageNumber()}")
        canvas.restoreState()

    document.addPageTemplates([PageTemplate("page", [room], onPage=foot)])
    story: list[Flowable] = [_words(paper.title, TITLE), _words(paper.about, PLAIN)]
    document.build([*story, *_kept(paper.blocks, width=width - 2 * MARGIN)])
    return out.getvalue()


def _kept(blocks: Sequence[Block], *, width: float) -> Iterator[Flowable]:
    """Iterate over the flowables of the blocks, each heading kept with the next one."""
    waiting: list[Flowable] = []
    for block in blocks:
        for piece in _flowables(block, width=width):
            if isinstance(block, Heading):
                waiting.append(piece)
            elif waiting:
                yield piece if isinstance(piece, Grid) else KeepTogether([*waiting, piece])
                waiting = []
            else:
                yield piece
    yield from waiting


def _flowables(block: Block, *, width: float) -> Iterator[Flowable]:
    if isinstance(block, Heading):
        yield _words(block.words, SECTION)
    elif isinstance(block, Words):
        yield _words(block.words, LEAD if block.lead else PLAIN)
    elif isinstance(block, Points):
        yield ListFlowable(
            [_words(each, PLAIN) for each in block.words],
            bulletType="bullet",
            bulletFontSize=6,
            leftIndent=10,
        )
    elif isinstance(block, Pictures):
        yield from _drawn(block, width=width)
    else:
        yield _grid(block, width=width)
        yield Spacer(0, 6)


def _drawn(block: Pictures, *, width: float) -> Iterator[Flowable]:
    """Lay out charts two in a row, all of the same width."""
    column = (width - GAP) / 2
    drawings = [_drawing(svg, width=column) for svg in block.svgs]
    for begin in range(0, len(drawings), 2):
        row = [*drawings[begin : begin + 2], ""][:2]
        yield Grid(
            [row],
            colWidths=[column + GAP / 2] * 2,
            style=TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)]),
            hAlign="LEFT",
        )


def _drawing(svg: str, *, width: float) -> Any:
    # A PDF has no system-ui font; text widths were measured with Helvetica.
    drawing: Any = svg2rlg(BytesIO(svg.replace(SVG_FONTS, "Helvetica").encode()))
    scale = width / drawing.width
    drawing.scale(scale, scale)
    drawing.width, drawing.height = width, drawing.height * scale
    return drawing


def _widths(table: Table, *, width: float) -> list[float]:
    """Column widths of a table: each at least its longest word, the rest in proportion to its text."""
    columns = list(zip(table.header, *table.rows, strict=True))
    least = [min(_longest_word(cells), width / 3) + PADDING for cells in columns]
    weights = [min(max(len(cell) for cell in cells), 44) + 3 for cells in columns]
    spare = width - sum(least)
    if spare < 0:
        return [width * one / sum(least) for one in least]
    return [one + spare * weight / sum(weights) for one, weight in zip(least, weights, strict=True)]


def _longest_word(cells: Sequence[str]) -> float:
    """Width of the longest word of a column, whose first cell is its header."""
    fonts = [HEAD.fontName, *[SMALL.fontName] * (len(cells) - 1)]
    return max(
        (
            stringWidth(_printable(word), font, SMALL.fontSize)
            for font, cell in zip(fonts, cells, strict=True)
            for word in cell.split()
        ),
        default=0.0,
    )


def _grid(table: Table, *, width: float) -> Grid:
    """Render a table."""
    head = [
        _words(cell, HEAD_NUMBER if place in table.numbers else HEAD)
        for place, cell in enumerate(table.header)
    ]
    rows = [
        [_words(cell, NUMBER if place in table.numbers else SMALL) for place, cell in enumerate(row)]
        for row in table.rows
    ]
    return Grid(
        [head, *rows],
        colWidths=_widths(table, width=width),
        style=RULED,
        repeatRows=1,
    )


def _words(words: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(_printable(words)), style)


def _printable(words: str) -> str:
    """Replace characters that the standard fonts of a PDF lack."""
    return words.replace("\u2212", "-").encode("cp1252", "replace").decode("cp1252")
