"""Bar chart of expected counts by month, with their prediction intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from servicedesk.reports.charts.frame import FADED, HAIRLINE, LARGE, SMALL, WIDTH, Frame
from servicedesk.reports.charts.scales import Scale, nice_top, tick_words
from units.drawings.lettering import text_width
from units.drawings.sheet import BLUEPRINT, INK, Box, group, line, rectangle, text

_RIGHT: Final = WIDTH - 8
_LEFT: Final = 30
_HEIGHT: Final = 150
_END: Final = 4


@dataclass(frozen=True, kw_only=True)
class MonthBar:
    """One month: its name, the expected count, and its prediction interval."""

    name: str
    mean: float
    low: float
    high: float


def month_bars(bars: Sequence[MonthBar], *, title: str, axis: str, id_prefix: str, heading: str = "") -> str:
    """Draw monthly bars on one axis from zero.

    Parameters
    ----------
    bars
        The months in their order; the name of a month is written below its bar by its first letter.
    title
        Accessible name of the chart.
    axis
        Label of the vertical axis.
    id_prefix
        Prefix of every id, so that several charts fit on one page.
    heading
        Heading written above the chart.

    Returns
    -------
    str
        An ``<svg>`` element.
    """
    descriptions = [f"{bar.name}: {bar.mean:,.3g}, from {bar.low:,.3g} to {bar.high:,.3g}" for bar in bars]
    frame = Frame(title=title, description=f"{axis}. {'; '.join(descriptions)}.", id_prefix=id_prefix)
    if heading:
        frame.write(heading, size=LARGE, bold=True)
    frame.write(axis, fill=FADED)
    top = frame.y + 8
    up = Scale(nice_top(max(bar.high for bar in bars)), top + _HEIGHT, top)
    widest = max(text_width(tick_words(tick), size=SMALL) for tick in up.ticks())
    left = max(_LEFT, widest + 9)
    grid = group(frame.root, class_="grid")
    for tick in up.ticks():
        y = up.at(tick)
        line(grid, left, y, _RIGHT, y, kind="hair", stroke=FADED if tick == 0 else HAIRLINE)
        text(frame.root, left - 5, y + 4, tick_words(tick), anchor="end", fill=FADED)
    marks = group(frame.root, class_="marks")
    step = (_RIGHT - left) / len(bars)
    for number, bar in enumerate(bars):
        middle = left + step * (number + 0.5)
        box = Box(middle - step * 0.32, up.at(bar.mean), step * 0.64, up.at(0) - up.at(bar.mean))
        rectangle(marks, box, kind="patch", fill=BLUEPRINT, fill_opacity="0.35")
        line(marks, middle, up.at(bar.low), middle, up.at(bar.high), kind="ink", stroke=INK)
        for value in (bar.low, bar.high):
            line(marks, middle - _END, up.at(value), middle + _END, up.at(value), kind="ink", stroke=INK)
        text(frame.root, middle, up.at(0) + SMALL + 4, bar.name[:1], anchor="middle", fill=FADED)
    frame.y = up.at(0) + 2 * SMALL + 8
    text(frame.root, left, frame.y, f"from {bars[0].name}", fill=FADED)
    text(frame.root, _RIGHT, frame.y, f"to {bars[-1].name}", anchor="end", fill=FADED)
    return frame.finish()
