"""Elevation of a unit from inside, its panels part of the way stacked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Final
from xml.etree import ElementTree as ET

from servicedesk.core.values.words import count
from units.drawings.lettering import text_width
from units.drawings.shape import CORNER_WORDS, Corner, Mark, UnitShape, check_marks
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
    dimension_up,
    disc,
    group,
    line,
    rectangle,
    text,
    trace,
)
from units.drawings.targets import LOWEST_PANEL, draw_targets
from units.geometry import panel_height
from units.lengths import LengthUnit, format_length

NOT_MEASURED: Final = "not measured"

_LEFT: Final = 16
_TALLEST: Final = 440
_NARROWEST_FRAME: Final = 100
_NARROWEST_PANEL: Final = 92
_LOWEST_PANEL: Final = 54
_UNMEASURED_EDGE: Final = 3.0
_RAIL: Final = 5
_RING: Final = 8.5
_TARGET: Final = 24


@dataclass(frozen=True, slots=True)
class Face:
    """Layout of an elevation on the sheet: boxes of frame, field, lite and panels, panel 1 first."""

    frame: Box
    field: Box
    lite: Box | None
    panels: tuple[Box, ...]
    px_per_mm: float | None


def elevation(
    shape: UnitShape,
    *,
    title: str,
    id_prefix: str,
    marks: Iterable[Mark] = (),
    unit: LengthUnit = "in",
    titled: bool = True,
    pick: bool = False,
) -> str:
    """Draw the elevation of a unit from inside, with numbered panels and dimensions.

    Parameters
    ----------
    shape
        The unit's dimensions and construction.
    title
        Which unit this is; also the accessible name.
    id_prefix
        Begins every id, so that several drawings can stand on one page.
    marks
        Failures found before. Those at one place share a numbered disc; the list below says what each was.
    unit
        The unit sizes are written in.
    titled
        Whether the title is written on the drawing too; False where a heading right above says the same.
    pick
        Whether panels and corners are to be chosen on it: then it has areas to point at that lie above all
        else and are large enough for a finger, and panels low enough to be lost under one are drawn higher.

    Returns
    -------
    str
        An ``<svg>`` element. Each panel is a group with ``data-panel``; each corner a group with
        ``data-panel`` and ``data-corner`` holding an unseen area to point at. With ``pick`` the groups carry
        ``data-shows`` instead ("2", "2 UL"), and the areas above them ``data-panel`` and ``data-corner``.
        ``data-px-per-mm`` gives the scale, where there is one.

    Notes
    -----
    Panel 1 is nearest the viewer and panel n nearest the screen. Closed, panel n is drawn uppermost and
    panel 1 lowest, as shingles lie, so that water runs off outside (a convention of this drawing, no record
    of the unit). From there the panels are pushed toward their end until each one stands two thirds of its
    height below the one behind it. Two thirds, because then every upper and lower edge has a height of its
    own, a third of a panel from the next: each panel shows in its channel and no two corners fall together.
    What lies behind another panel is dashed. A unit that is not measured, or too narrow to letter at scale,
    is drawn in standard proportions and says so.
    """
    marks = tuple(Mark(*mark) for mark in marks)
    check_marks(marks, shape=shape)
    lowest = LOWEST_PANEL if pick else _LOWEST_PANEL
    sheet = Sheet(title=title, view=_view_words(shape, lowest=lowest), id_prefix=id_prefix, titled=titled)
    face = _face(shape, top=sheet.y + 16, lowest=lowest)
    if face.px_per_mm is not None:
        sheet.root.set("data-px-per-mm", f"{face.px_per_mm:.9g}")
    _draw_frame(sheet, face, shape, unit=unit)
    _draw_panels(sheet, face, shape, pick=pick)
    places = _draw_marks(sheet, face, marks)
    loose = _draw_sizes(sheet, face, shape, unit=unit)
    if pick:
        draw_targets(sheet.root, face.panels)
    sheet.y = face.frame.bottom + 40
    for words in (shape.release_words(), shape.stack_words(), *loose):
        sheet.write(words, size=PLAIN)
    _list_marks(sheet, places)
    return sheet.finish(_description(shape, places, unit=unit))


def _view_words(shape: UnitShape, *, lowest: float) -> str:
    seen = "Seen from inside, panels part of the way stacked." if shape.panels else "Seen from inside."
    if _face(shape, top=0, lowest=lowest).px_per_mm is None:
        return f"{seen} Not to scale."
    if shape.widest_panel_mm is None or shape.steps_unknown:
        return f"{seen} Frame to scale."
    return f"{seen} To scale."


def _face(shape: UnitShape, *, top: float, lowest: float) -> Face:
    """Layout to scale, or in standard proportions where that cannot be or panels come out too low."""
    room = WIDTH - _LEFT - (56 if shape.lite_is_there else 34)
    unmeasured_lite = shape.has_lower_lite and shape.lower_lite_mm is None
    if shape.width_mm is not None and shape.height_mm is not None and not unmeasured_lite:
        scale = min(room / float(shape.width_mm), _TALLEST / float(shape.height_mm))
        face = _scaled_face(shape, scale=scale, room=room, top=top)
        if (
            face.frame.width >= _NARROWEST_FRAME
            and face.field.height >= lowest * (shape.panels or 1)
            and all(panel.width >= _NARROWEST_PANEL for panel in face.panels)
        ):
            return face
    return _stock_face(shape, room=room, top=top, lowest=lowest)


def _scaled_face(shape: UnitShape, *, scale: float, room: float, top: float) -> Face:
    edge = float(shape.inside_edge_mm) * scale if shape.inside_edge_mm else _UNMEASURED_EDGE
    width, height = float(shape.width_mm or 0) * scale, float(shape.height_mm or 0) * scale
    frame = Box(_LEFT + (room - width) / 2, top, width, height)
    lite = float(shape.lower_lite_mm or 0) * scale
    step = float(shape.step_mm) * scale if shape.step_mm else _step_by_eye(shape)
    widest = float(shape.widest_panel_mm) * scale if shape.widest_panel_mm else width - 2 * edge
    return _filled(shape, frame, edge=edge, lite=lite, widest=widest, step=step, scale=scale)


def _stock_face(shape: UnitShape, *, room: float, top: float, lowest: float) -> Face:
    lite = 72.0 if shape.lite_is_there else 0.0
    edge = _UNMEASURED_EDGE
    field = max(240, max(60, lowest) * (shape.panels or 1))
    wide = shape.width_mm is not None and shape.height_mm is not None and shape.width_mm > shape.height_mm
    width = room if wide else 208
    frame = Box(_LEFT + (room - width) / 2, top, width, field + lite + 2 * edge)
    widest = frame.width - 2 * edge
    return _filled(shape, frame, edge=edge, lite=lite, widest=widest, step=_step_by_eye(shape), scale=None)


def _step_by_eye(shape: UnitShape) -> float:
    """Step between panels where none is measured: large enough to be seen, but never a pyramid."""
    return 3.0 if shape.panels is None or shape.panels <= 6 else 18 / shape.panels


def _filled(
    shape: UnitShape,
    frame: Box,
    *,
    edge: float,
    lite: float,
    widest: float,
    step: float,
    scale: float | None,
) -> Face:
    """Layout of lite and panels in a frame."""
    field = Box(frame.x + edge, frame.y + edge, frame.width - 2 * edge, frame.height - 2 * edge - lite)
    lite_box = Box(frame.x, frame.bottom - lite, frame.width, lite) if lite else None
    count = shape.panels or 0
    if not count or field.height <= 0:
        return Face(frame, field, lite_box, (), scale)
    each = float(panel_height(Decimal(field.height), panels=count))
    apart = each * 2 / 3
    panels = []
    for place in range(count):
        narrower = 2 * step * place if shape.order == "stepped" else 0
        width = widest - narrower
        if shape.stack_end == "bottom":
            y = field.bottom - each - place * apart
        else:
            y = field.y + (count - 1 - place) * apart
        panels.append(Box(frame.middle - width / 2, y, width, each))
    return Face(frame, field, lite_box, tuple(panels), scale)


def _draw_frame(sheet: Sheet, face: Face, shape: UnitShape, *, unit: LengthUnit) -> None:
    frame = group(sheet.root, class_="ink")
    rectangle(frame, face.frame, kind="ink", fill=PAPER)
    if shape.has_screen:
        rectangle(frame, face.field, kind="mesh", fill=sheet.hatch("mesh"), fill_opacity="0.55")
    rectangle(frame, face.field, kind="hair")
    if not shape.panels:
        _tag(frame, face.field, face.field.y + face.field.height / 2, "panels not counted")
    else:
        _tag_opening(frame, face, shape)
    if face.lite:
        _draw_lite(sheet, frame, face.lite, shape, unit=unit)


def _tag_opening(parent: ET.Element, face: Face, shape: UnitShape) -> None:
    """Label the part of the field that no panel covers: screen or no screen."""
    covered_top = min(panel.y for panel in face.panels)
    covered_bottom = max(panel.bottom for panel in face.panels)
    above, below = covered_top - face.field.y, face.field.bottom - covered_bottom
    if max(above, below) < 20:
        return
    y = face.field.y + above / 2 if above > below else face.field.bottom - below / 2
    _tag(parent, face.field, y, "screen" if shape.has_screen else "no screen")


def _tag(parent: ET.Element, box: Box, y: float, words: str) -> None:
    """Write words in the middle of a box, on a patch that covers the hatch."""
    width = text_width(words, size=SMALL) + 8
    rectangle(parent, Box(box.middle - width / 2, y - 8, width, 16), kind="patch", fill=PAPER)
    text(parent, box.middle, y + 4, words, anchor="middle", fill=FADED)


def _draw_lite(sheet: Sheet, parent: ET.Element, lite: Box, shape: UnitShape, *, unit: LengthUnit) -> None:
    rectangle(parent, lite, kind="lite", fill=sheet.hatch("lite"), fill_opacity="0.5")
    line(parent, lite.x, lite.y, lite.right, lite.y, kind="ink")
    if lite.height >= 2 * _RING + 18:
        _tag(parent, lite, lite.y + _RING + (lite.height - _RING) / 2, "fixed lower lite")


def _draw_panels(sheet: Sheet, face: Face, shape: UnitShape, *, pick: bool) -> None:
    """Draw the panels from the screen to the inside, then hidden edges, then the corners."""
    numbered = list(enumerate(face.panels, start=1))
    for number, box in reversed(numbered):
        panel = group(sheet.root, **_named(number, None, pick=pick))
        rectangle(panel, box, kind="glass")
        inner = Box(box.x + _RAIL, box.y + _RAIL, box.width - 2 * _RAIL, box.height - 2 * _RAIL)
        rectangle(panel, inner, kind="hair", fill="#FAFCFD")
        text(panel, box.middle, box.y + box.height / 2 + 6, str(number), size=17, bold=True, anchor="middle")
        _draw_release(panel, box, shape)
    hidden = group(sheet.root, class_="hair")
    for number, box in numbered[1:]:
        front = face.panels[number - 2]
        points = [(box.x, front.y), (box.x, box.bottom), (box.right, box.bottom), (box.right, front.y)]
        trace(hidden, points, kind="hair", stroke_dasharray="4 3")
    for number, box in numbered:
        for corner in CORNER_WORDS:
            seen = number == 1 or corner[0] == "U"
            _draw_corner(sheet.root, box, number, corner, seen=seen, pick=pick)


def _named(number: int, corner: Corner | None, *, pick: bool) -> dict[str, str]:
    """Data attributes that name a panel and corner; with ``pick``, the areas above carry the usual ones."""
    if pick:
        return {"data_shows": f"{number} {corner}" if corner else str(number)}
    return {"data_panel": str(number), **({"data_corner": corner} if corner else {})}


def _draw_release(parent: ET.Element, box: Box, shape: UnitShape) -> None:
    """Draw the release on its side: a spring as a zigzag, a pin as a bolt."""
    y = box.y + box.height / 2
    for side, x, inward in (("left", box.x + _RAIL, 1), ("right", box.right - _RAIL, -1)):
        if shape.release_side not in (side, "both"):
            continue
        if shape.release == "side spring":
            zigzag = [(0, 0), (2, -4), (5, 4), (8, -4), (11, 4), (13, 0)]
            trace(parent, [(x + inward * dx, y + dy) for dx, dy in zigzag], kind="ink", stroke=BLUEPRINT)
        elif shape.release == "pins":
            line(
                parent,
                x - inward * _RAIL,
                y,
                x + inward * 8,
                y,
                kind="ink",
                stroke_width="2",
                stroke=BLUEPRINT,
            )
            disc(parent, x + inward * 10, y, 3, kind="ink", stroke=BLUEPRINT, fill=PAPER)


def _draw_corner(root: ET.Element, box: Box, number: int, corner: Corner, *, seen: bool, pick: bool) -> None:
    """Draw a corner joint and, unless larger areas follow, a target area over it."""
    x, y = _corner_point(box, corner)
    inward, downward = (1 if corner[1] == "L" else -1), (1 if corner[0] == "U" else -1)
    target = group(root, **_named(number, corner, pick=pick))
    elbow = [(x + inward * 8, y), (x, y), (x, y + downward * 8)]
    if seen:
        trace(target, elbow, kind="ink", stroke_width="2.5")
    else:
        trace(target, elbow, kind="hair")
    if pick:
        return
    high = min(_TARGET, box.height / 3)
    area = Box(x - _TARGET / 2, y - high / 2, _TARGET, high)
    rectangle(target, area, kind="patch", fill="none", pointer_events="all")


def _corner_point(box: Box, corner: Corner) -> tuple[float, float]:
    return (box.x if corner[1] == "L" else box.right), (box.y if corner[0] == "U" else box.bottom)


Places = dict[tuple[int, Corner | None], list[str]]


def _draw_marks(sheet: Sheet, face: Face, marks: tuple[Mark, ...]) -> Places:
    """Draw a numbered disc at each place that failed before; several failures at one place share it."""
    places: Places = {}
    for mark in marks:
        places.setdefault((mark.panel, mark.corner), []).append(mark.label)
    for number, (panel, corner) in enumerate(places, start=1):
        box = face.panels[panel - 1]
        if corner is None:
            x, y = box.middle + min(30, box.width * 0.23), box.y + box.height / 2
        else:
            x, y = _corner_point(box, corner)
        _disc_with_number(sheet.root, x, y, number)
    return places


def _disc_with_number(parent: ET.Element, x: float, y: float, number: int) -> None:
    mark = group(parent, class_="mark")
    disc(mark, x, y, _RING, kind="mark")
    text(mark, x, y + 4, str(number), anchor="middle", fill=PAPER, bold=True, kind="mark")


def _list_marks(sheet: Sheet, places: Places) -> None:
    if not places:
        return
    sheet.write("Found here before", size=LARGE, bold=True, gap=10)
    for number, (place, labels) in enumerate(places.items(), start=1):
        sheet.y += 6
        _disc_with_number(sheet.root, MARGIN + _RING, sheet.y + 13, number)
        sheet.write(f"{_place_words(place)}: {'; '.join(labels)}", size=PLAIN, indent=24)


def _place_words(place: tuple[int, Corner | None]) -> str:
    panel, corner = place
    return f"Panel {panel}" if corner is None else f"Panel {panel}, {CORNER_WORDS[corner]}"


def _draw_sizes(sheet: Sheet, face: Face, shape: UnitShape, *, unit: LengthUnit) -> list[str]:
    """Draw the dimensions; return those that do not fit beside their line as sentences."""
    frame = face.frame
    dimension_across(
        sheet.root,
        frame.x,
        frame.right,
        edge=frame.bottom,
        y=frame.bottom + 16,
        words=_size(shape.width_mm, unit),
    )
    total = _size(shape.height_mm, unit)
    if face.lite is None:
        dimension_up(sheet.root, frame.y, frame.bottom, edge=frame.right, x=frame.right + 14, words=total)
        return []
    dimension_up(sheet.root, frame.y, frame.bottom, edge=frame.right, x=frame.right + 36, words=total)
    field_mm = None
    if shape.height_mm is not None and shape.lower_lite_mm is not None:
        field_mm = shape.height_mm - shape.lower_lite_mm
    loose = []
    for name, top, bottom, length in (
        ("sliding part", frame.y, face.lite.y, field_mm),
        ("lower lite", face.lite.y, frame.bottom, shape.lower_lite_mm),
    ):
        words = _size(length, unit)
        fits = bottom - top >= text_width(words, size=SMALL) + 8
        x = frame.right + 14
        dimension_up(sheet.root, top, bottom, edge=frame.right, x=x, words=words if fits else "")
        if not fits:
            loose.append(f"Height of the {name}: {words}.")
    return loose


def _size(length: Decimal | None, unit: LengthUnit) -> str:
    return NOT_MEASURED if length is None else format_length(length, unit=unit)


def _description(shape: UnitShape, places: Places, *, unit: LengthUnit) -> str:
    """Text alternative of the drawing."""
    panels = f"{count(shape.panels, 'panel')}, 1 is inside" if shape.panels else "panels not counted"
    sentences = [
        f"Width {_size(shape.width_mm, unit)}, height {_size(shape.height_mm, unit)}, {panels}.",
        "Each panel narrower toward the screen." if shape.order == "stepped" else "Panels all equal.",
        shape.stack_words(),
        shape.release_words(),
        "A screen behind." if shape.has_screen else "No screen.",
    ]
    if shape.lite_is_there:
        sentences.append(f"Fixed lower lite, height {_size(shape.lower_lite_mm, unit)}.")
    for number, (place, labels) in enumerate(places.items(), start=1):
        sentences.append(f"Found before, {number}: {_place_words(place)}: {'; '.join(labels).rstrip('.')}.")
    return " ".join(sentences)
