"""Interval chart: estimates with their confidence intervals, one row each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final
from xml.etree import ElementTree as ET

from servicedesk.reports.charts.frame import FADED, HAIRLINE, LARGE, MARGIN, PLAIN, SMALL, WIDTH, Frame
from servicedesk.reports.charts.scales import Scale, nice_top, tick_words
from units.drawings.lettering import text_width
from units.drawings.sheet import BLUEPRINT, PAPER, disc, group, line, text, trace

_LEFT: Final = MARGIN + 2
_RIGHT: Final = WIDTH - 12
_STRIP: Final = 16
_TICK: Final = 5
_ARROW: Final = 6


@dataclass(frozen=True, kw_only=True)
class IntervalRow:
    """Row of an interval chart: a name, an estimate with its limits (or none), and the same in words.

    ``note`` is written below the name.
    """

    name: str
    words: str
    value: float | None = None
    low: float = 0.0
    high: float = 0.0
    note: str = ""


def interval_rows(
    rows: Sequence[IntervalRow],
    *,
    title: str,
    axis: str,
    id_prefix: str,
    heading: str = "",
    top: float | None = None,
    reference: float | None = None,
) -> str:
    """Draw estimates with their intervals below each other on one axis from zero.

    Parameters
    ----------
    rows
        In the order in which they are drawn; the caller sorts by name, because an order by estimate makes
        the smallest group look best or worst.
    title
        Accessible name of the chart.
    axis
        Label of the axis.
    id_prefix
        Prefix of every id, so that several charts fit on one page.
    heading
        What the rows have in common, written above them.
    top
        End of the axis, for charts that are to be compared; else `axis_top` of the rows.
    reference
        A value to compare all rows with, marked by a dashed line.

    Returns
    -------
    str
        An ``<svg>`` element. An interval that runs off the axis ends in an arrow; its words give the limit.
    """
    descriptions = [f"{row.name}: {row.words}{f', {row.note}' if row.note else ''}" for row in rows]
    frame = Frame(title=title, description=f"{axis}. {'. '.join(descriptions)}.", id_prefix=id_prefix)
    scale = Scale(axis_top(rows) if top is None else top, _LEFT, _RIGHT)
    if heading:
        frame.write(heading, size=LARGE, bold=True)
    marks = group(frame.root, class_="marks")
    for row in rows:
        _draw_row(frame, marks, scale, row, reference=reference)
    frame.y += SMALL + 3
    for tick in scale.ticks():
        frame.label_below(scale.at(tick), frame.y, tick_words(tick))
    frame.y += SMALL + 3
    text(frame.root, _RIGHT, frame.y, axis, anchor="end", fill=FADED)
    return frame.finish()


def axis_top(rows: Sequence[IntervalRow]) -> float:
    """End of an axis that shows all estimates, and the limits of most rows.

    Otherwise one group with a wide interval would squeeze all the others into a corner.
    """
    shown = [row for row in rows if row.value is not None]
    if not shown:
        return 1.0
    highs = [row.high for row in shown]
    estimates = max(1.3 * (row.value or 0.0) for row in shown)
    return nice_top(min(max(highs), max(estimates, 2 * median(highs))))


def _draw_row(
    frame: Frame, marks: ET.Element, scale: Scale, row: IntervalRow, *, reference: float | None
) -> None:
    """Write a name with its estimate, and draw its interval below."""
    frame.y += 6
    number = text_width(row.words, size=PLAIN)
    first = frame.y + round(PLAIN * 1.35)
    beside = WIDTH - 2 * MARGIN - number - 10
    if beside >= 120 and row.value is not None:
        frame.write(row.name, size=PLAIN, bold=row.value is not None, room=beside)
        text(frame.root, WIDTH - MARGIN, first, row.words, size=PLAIN, anchor="end")
    else:
        frame.write(row.name, size=PLAIN, bold=row.value is not None)
        frame.write(row.words, fill=FADED)
    if row.note:
        frame.write(row.note)
    if row.value is not None:
        _draw_grid(marks, scale, top=frame.y + 3, bottom=frame.y + _STRIP + 3)
        if reference is not None and reference <= scale.top:
            x = scale.at(reference)
            line(marks, x, frame.y + 1, x, frame.y + _STRIP + 5, kind="ink", stroke_dasharray="3 2")
        frame.y += _STRIP
        _draw_interval(marks, scale, row, y=frame.y - _STRIP / 2 + 2)


def _draw_interval(marks: ET.Element, scale: Scale, row: IntervalRow, *, y: float) -> None:
    """Draw the limits as a line with an end on each side, and the estimate as a disc."""
    low, high = scale.at(row.low), scale.at(min(row.high, scale.top))
    line(marks, low, y, high, y, kind="dim", stroke_width="3")
    line(marks, low, y - _TICK, low, y + _TICK, kind="dim", stroke_width="1.5")
    if row.high > scale.top:
        tip = [(high - 1, y - _TICK), (high - 1 + _ARROW, y), (high - 1, y + _TICK)]
        trace(marks, tip, kind="dim", closed=True, fill=BLUEPRINT)
    else:
        line(marks, high, y - _TICK, high, y + _TICK, kind="dim", stroke_width="1.5")
    disc(marks, scale.at(row.value or 0.0), y, 4.5, kind="mark", stroke=PAPER)


def _draw_grid(grid: ET.Element, scale: Scale, *, top: float, bottom: float) -> None:
    for tick in scale.ticks():
        x = scale.at(tick)
        line(grid, x, top, x, bottom, kind="hair", stroke=FADED if tick == 0 else HAIRLINE)
