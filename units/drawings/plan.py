"""Section of a unit's track from above, with the order in which panels come out and go back."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Final
from xml.etree import ElementTree as ET

from units.drawings.lettering import text_width
from units.drawings.shape import UnitShape
from units.drawings.sheet import (
    BLUEPRINT,
    FADED,
    LARGE,
    MARGIN,
    PAPER,
    PLAIN,
    SMALL,
    WIDTH,
    Box,
    Sheet,
    dimension_across,
    group,
    line,
    rectangle,
    text,
    trace,
)
from units.geometry import RemovalOrder, removal_order
from units.lengths import LengthUnit, format_length

_ROW: Final = 24
_BAR: Final = 16
_FIN: Final = 7
_LEFT: Final = MARGIN
_ROOM: Final = WIDTH - 2 * MARGIN
_SEEN_STEP: Final = 6.0
_LARGEST_STEP: Final = 11.0
_DEEPEST_JAMB: Final = 48.0
_NARROWEST_BAR: Final = 156.0
_GAP: Final = 9.0
_STOCK_EDGE: Final = 8.0


@dataclass(frozen=True, slots=True)
class Section:
    """Layout of the section on the sheet: its two ends to scale, the middle cut out where it does not fit."""

    bars: tuple[tuple[float, float], ...]
    cut_at: float | None
    cut_mm: float
    px_per_mm: float | None


def plan(
    shape: UnitShape, *, title: str, id_prefix: str, unit: LengthUnit = "in", titled: bool = True
) -> str:
    """Draw the track in section: a channel for each panel, the screen, and the order of taking out.

    Parameters
    ----------
    shape
        The unit's dimensions and construction.
    title
        Which unit this is; also the accessible name.
    id_prefix
        Begins every id, so that several drawings can stand on one page.
    unit
        The unit sizes are written in.
    titled
        Whether the title is written on the drawing too; False where a heading right above says the same.

    Returns
    -------
    str
        An ``<svg>`` element. Each panel is a group with ``data-panel``. Drawn to scale, ``data-px-per-mm``
        gives the scale across and ``data-cut-mm`` the length left out between the break lines.

    Notes
    -----
    Across, widths and steps have one scale. The steps of a track are small beside its width, so the middle is
    broken out and both ends are enlarged, as drafters do, until a step can be seen. The depth of the
    channels is not recorded and is drawn evenly. Without a width, or without what tells the panels' widths
    apart, the track is drawn in standard proportions and says so.
    """
    section = _section(shape)
    sheet = Sheet(title=title, view=_view_words(shape, section), id_prefix=id_prefix, titled=titled)
    if section.px_per_mm is not None:
        sheet.root.set("data-px-per-mm", f"{section.px_per_mm:.9g}")
        sheet.root.set("data-cut-mm", f"{section.cut_mm:.9g}")
    top = sheet.y + 26
    text(sheet.root, WIDTH / 2, top - 8, "inside", anchor="middle", fill=FADED)
    bottom = _draw_track(sheet, shape, section, top=top, unit=unit)
    text(sheet.root, WIDTH / 2, bottom + 16, "outside", anchor="middle", fill=FADED)
    width = (
        "frame not measured"
        if shape.width_mm is None
        else f"frame {format_length(shape.width_mm, unit=unit)}"
    )
    dimension_across(sheet.root, _LEFT, _LEFT + _ROOM, edge=bottom, y=bottom + 26, words=width)
    sheet.y = bottom + 44
    for words in _notes(shape, unit=unit):
        sheet.write(words, fill=FADED)
    order = removal_order(shape.panels, order=shape.order) if shape.panels else None
    _write_order(sheet, order)
    return sheet.finish(_description(shape, order, unit=unit))


def _view_words(shape: UnitShape, section: Section) -> str:
    if section.px_per_mm is None:
        return "Section through the track, seen from above. Not to scale."
    middle = " The middle is left out." if section.cut_at is not None else ""
    true = "Widths" if shape.widest_panel_mm is not None else "Steps"
    return f"Section through the track, seen from above. {true} to scale, depths not.{middle}"


def _section(shape: UnitShape) -> Section:
    """Layout to scale, or in standard proportions where that cannot be."""
    dimension_mm = shape.step_mm if shape.order == "stepped" else shape.widest_panel_mm
    if shape.width_mm is not None and dimension_mm is not None:
        frame, edge = float(shape.width_mm), _edge(shape)
        steps = float(shape.step_mm or 0) * _steps(shape)
        scale = _ROOM / frame
        if shape.step_mm and steps and float(shape.step_mm) * scale < _SEEN_STEP:
            enlarged = min(_LARGEST_STEP / float(shape.step_mm), _DEEPEST_JAMB / (edge + steps))
            scale = max(scale, enlarged)
        section = _laid_out(shape, scale=scale, cut_mm=frame - _ROOM / scale)
        if section.bars and section.bars[-1][1] - section.bars[-1][0] >= _NARROWEST_BAR:
            return section
    step = min(_LARGEST_STEP, _DEEPEST_JAMB / max(1, _steps(shape))) if shape.order == "stepped" else 0.0
    inset = [_STOCK_EDGE + step * place for place in range(shape.panels or 0)]
    return Section(tuple((_LEFT + left, _LEFT + _ROOM - left) for left in inset), None, 0.0, None)


def _laid_out(shape: UnitShape, *, scale: float, cut_mm: float) -> Section:
    """Layout at a scale, panels centered in the frame; what is cut out is the same for all."""
    frame = float(shape.width_mm or 0)
    widest = Decimal(shape.widest_panel_mm or shape.width_mm or 0)
    bars = []
    for width in shape.panel_widths(widest):
        inset = (frame - float(width)) / 2 * scale
        if shape.widest_panel_mm is None:
            inset += _STOCK_EDGE
        bars.append((_LEFT + inset, _LEFT + _ROOM - inset))
    broken = bool(bars) and cut_mm > 1e-6
    cut_at = bars[-1][1] - 34 if broken else None
    return Section(tuple(bars), cut_at, max(0.0, cut_mm) if broken else 0.0, scale)


def _edge(shape: UnitShape) -> float:
    if shape.width_mm is not None and shape.panel_width_mm is not None:
        return float(shape.width_mm - shape.panel_width_mm) / 2
    return float(shape.inside_edge_mm or 0)


def _steps(shape: UnitShape) -> int:
    return (shape.panels or 1) - 1 if shape.order == "stepped" else 0


def _draw_track(sheet: Sheet, shape: UnitShape, section: Section, *, top: float, unit: LengthUnit) -> float:
    """Draw jambs, panels and screen; return the lower edge of the track."""
    if not section.bars:
        box = Box(_LEFT, top, _ROOM, 2 * _ROW)
        rectangle(sheet.root, box, kind="ink", fill=sheet.hatch("cut"))
        _patch(sheet.root, box, "panels not counted")
        return box.bottom
    rows = len(section.bars) + (1 if shape.has_screen else 0)
    bottom = top + rows * _ROW
    rectangle(sheet.root, Box(_LEFT, top, _ROOM, bottom - top), kind="patch", fill=PAPER)
    _draw_jambs(sheet, section, rows=rows, top=top)
    labels = _width_labels(shape, unit=unit)
    for place, (bar, label) in enumerate(zip(section.bars, labels, strict=True)):
        _draw_bar(sheet, section, bar, place=place, top=top + place * _ROW, label=label)
    if shape.has_screen:
        left, right = section.bars[-1]
        y = bottom - _ROW + (_ROW - _BAR) / 2
        for piece in _pieces(section, left, right):
            box = Box(piece[0], y + 3, piece[1] - piece[0], _BAR - 6)
            rectangle(sheet.root, box, kind="mesh", fill=sheet.hatch("mesh"))
            rectangle(sheet.root, box, kind="hair")
        start, end = _label_room(section)
        _patch(sheet.root, Box(start, y, end - start, _BAR), "screen")
    if section.cut_at is not None:
        _draw_break(sheet.root, section.cut_at, top=top - 4, bottom=bottom + 4)
    return bottom


def _draw_jambs(sheet: Sheet, section: Section, *, rows: int, top: float) -> None:
    """Draw both jambs in section, a channel for each row and a fin between channels."""
    jambs = group(sheet.root, class_="ink")
    insets = [bar[0] for bar in section.bars]
    insets += insets[-1:] * (rows - len(insets))
    for mirror in (False, True):
        outline: list[tuple[float, float]] = [(_LEFT, top)]
        for row, inset in enumerate(insets):
            outline += [(inset, top + row * _ROW), (inset, top + (row + 1) * _ROW)]
        outline.append((_LEFT, top + rows * _ROW))
        trace(
            jambs,
            [(_across(x, mirror), y) for x, y in outline],
            kind="ink",
            closed=True,
            fill=sheet.hatch("cut"),
        )
        for row, inset in enumerate(insets[1:], start=1):
            y = top + row * _ROW
            line(jambs, _across(inset, mirror), y, _across(inset + _FIN, mirror), y, kind="ink")


def _across(x: float, mirror: bool) -> float:
    """Position on the left jamb, or its mirror image on the right one."""
    return WIDTH - x if mirror else x


def _draw_bar(
    sheet: Sheet, section: Section, bar: tuple[float, float], *, place: int, top: float, label: str
) -> None:
    panel = group(sheet.root, data_panel=str(place + 1))
    y = top + (_ROW - _BAR) / 2
    for left, right in _pieces(section, *bar):
        rectangle(panel, Box(left, y, right - left, _BAR), kind="glass")
    text(panel, _number_column(section), y + 12.5, str(place + 1), size=LARGE, bold=True, anchor="middle")
    start, end = _label_room(section)
    text(panel, (start + end) / 2, y + 12, label, anchor="middle", kind="dim", fill=BLUEPRINT)


def _pieces(section: Section, left: float, right: float) -> list[tuple[float, float]]:
    if section.cut_at is None:
        return [(left, right)]
    return [(left, section.cut_at), (section.cut_at + _GAP, right)]


def _number_column(section: Section) -> float:
    return section.bars[-1][0] + 18


def _label_room(section: Section) -> tuple[float, float]:
    """Left and right end of the labels: from the numbers to the break, or the far end."""
    end = section.cut_at if section.cut_at is not None else section.bars[-1][1] - 8
    return _number_column(section) + 10, end - 4


def _draw_break(parent: ET.Element, x: float, *, top: float, bottom: float) -> None:
    """Draw the two break lines between which the middle is left out."""
    middle = (top + bottom) / 2
    for start in (x, x + _GAP):
        kink = [
            (0.0, top),
            (0.0, middle - 6),
            (-4.0, middle - 3),
            (4.0, middle + 3),
            (0.0, middle + 6),
            (0.0, bottom),
        ]
        trace(parent, [(start + dx, y) for dx, y in kink], kind="hair", stroke_width="1")


def _patch(parent: ET.Element, box: Box, words: str) -> None:
    """Write words in the middle of a box, on a patch that covers the hatch."""
    width = text_width(words, size=SMALL) + 8
    y = box.y + box.height / 2
    rectangle(parent, Box(box.middle - width / 2, y - 8, width, 16), kind="patch", fill=PAPER)
    text(parent, box.middle, y + 4, words, anchor="middle", fill=FADED)


def _width_labels(shape: UnitShape, *, unit: LengthUnit) -> list[str]:
    """Label of each panel: its width, or how much narrower it is than the first where none is known."""
    count = shape.panels or 0
    if shape.steps_unknown:
        return ["widest", *["narrower"] * (count - 1)]
    if shape.widest_panel_mm is not None:
        return [format_length(width, unit=unit) for width in shape.panel_widths(shape.widest_panel_mm)]
    if shape.order == "equal" or shape.step_mm is None:
        return ["width not measured"] * count
    lengths = [format_length(2 * shape.step_mm * place, unit=unit) for place in range(1, count)]
    return ["widest", *[f"{length} less" for length in lengths]]


def _notes(shape: UnitShape, *, unit: LengthUnit) -> list[str]:
    notes = []
    if shape.inside_edge_mm is None:
        notes.append("Inside edge of the frame: not measured.")
    else:
        notes.append(f"Inside edge of the frame: {format_length(shape.inside_edge_mm, unit=unit)}.")
    if shape.order == "stepped" and (shape.panels or 0) > 1:
        step = "not measured" if shape.step_mm is None else format_length(shape.step_mm, unit=unit)
        notes.append(f"Step between channels, each side: {step}.")
    if shape.panels and shape.widest_panel_mm is not None and shape.panel_width_mm is None:
        notes.append(
            "Panel widths are calculated from frame and inside edge: measure a panel before you cut."
        )
    return notes


def _write_order(sheet: Sheet, order: RemovalOrder | None) -> None:
    if order is None:
        sheet.write("Count the panels first; then the order they come out in stands here.", size=PLAIN, gap=8)
        return
    for verb, panels, why in (
        ("Take out", order.take_out, order.why_out),
        ("Put back", order.put_back, order.why_back),
    ):
        sheet.write(f"{verb} {_listed(panels)}", size=LARGE, bold=True, gap=8)
        sheet.write(why, size=PLAIN)
    sheet.write("Hold each panel before you let it go: it can drop. Keep hands clear.", size=PLAIN, gap=8)


def _listed(panels: tuple[int, ...]) -> str:
    return ", ".join(map(str, panels))


def _description(shape: UnitShape, order: RemovalOrder | None, *, unit: LengthUnit) -> str:
    """Text alternative of the section."""
    if order is None:
        return "The panels are not counted yet."
    labels = _width_labels(shape, unit=unit)
    channels = "; ".join(f"channel {place}: {label}" for place, label in enumerate(labels, start=1))
    screen = "then the screen" if shape.has_screen else "no screen"
    return (
        f"From the inside out: {channels}; {screen}. "
        f"Take out {_listed(order.take_out)}. {order.why_out} "
        f"Put back {_listed(order.put_back)}. {order.why_back}"
    )
