"""Step curve over age with its confidence band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

from servicedesk.reports.charts.frame import FADED, HAIRLINE, LARGE, SMALL, WIDTH, Frame
from servicedesk.reports.charts.scales import Scale, tick_words
from units.drawings.lettering import text_width
from units.drawings.sheet import BLUEPRINT, INK, PAPER, Box, group, line, rectangle, text, trace

_LEFT: Final = 38
_RIGHT: Final = WIDTH - 10
_HEIGHT: Final = 150
_FINEST: Final = 0.5
"""Steps closer together than half a unit of the sheet are drawn as one."""

Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Steps:
    """Step function with a new value at each ``at``, from ``start`` (with the value ``first``) to ``stop``.

    ``low`` and ``high`` are its limits, or None where there is no band; a limit that is not a number ends the
    band. ``model`` is a smooth curve drawn over it, as pairs of age and value.
    """

    start: float
    stop: float
    first: float
    at: Sequence[float]
    value: Sequence[float]
    low: Sequence[float] | None = None
    high: Sequence[float] | None = None
    model: Sequence[Point] = ()


def step_curve(
    steps: Steps,
    *,
    name: str,
    words: str,
    end: str,
    title: str,
    axes: tuple[str, str],
    tops: tuple[float, float],
    id_prefix: str,
    percent: bool = False,
) -> str:
    """Draw a step curve with its band; charts that share ``tops`` can be compared.

    Parameters
    ----------
    steps
        The curve.
    name
        Name of the group, written above the chart.
    words
        Summary, written below the name.
    end
        Label of the last value, at its end.
    title
        Accessible name of the chart.
    axes
        Labels of the vertical and the horizontal axis.
    tops
        Ends of the vertical and the horizontal axis; both begin at zero.
    id_prefix
        Prefix of every id, so that several charts fit on one page.
    percent
        Whether the vertical axis shows shares in percent.

    Returns
    -------
    str
        An ``<svg>`` element.
    """
    frame = Frame(title=title, description=f"{name}. {words}", id_prefix=id_prefix)
    frame.write(name, size=LARGE, bold=True)
    frame.write(words)
    frame.y += 4
    frame.write(axes[0], fill=FADED)
    top = frame.y + 8
    up, along = Scale(tops[0], top + _HEIGHT, top), Scale(tops[1], _LEFT, _RIGHT)
    _draw_axes(frame, up, along, percent=percent)
    _draw_band(frame, steps, up, along)
    places = _corners(steps.start, steps.stop, steps.first, steps.at, steps.value, up, along)
    trace(group(frame.root, class_="curve"), places, kind="ink", stroke=BLUEPRINT, stroke_width="2")
    if steps.model:
        smooth = [(along.at(min(age, along.top)), up.at(min(value, up.top))) for age, value in steps.model]
        trace(group(frame.root, class_="model"), smooth, kind="ink", stroke=INK, stroke_dasharray="6 4")
    _label_end(frame, places[-1], end, falls=bool(steps.value) and steps.value[-1] < steps.first)
    frame.y = top + _HEIGHT + SMALL + 5
    frame.y += SMALL + 3
    text(frame.root, _RIGHT, frame.y, axes[1], anchor="end", fill=FADED)
    return frame.finish()


def _draw_axes(frame: Frame, up: Scale, along: Scale, *, percent: bool) -> None:
    grid = group(frame.root, class_="grid")
    for tick in up.ticks():
        y = up.at(tick)
        line(grid, along.begin, y, along.end, y, kind="hair", stroke=FADED if tick == 0 else HAIRLINE)
        shown = f"{100 * tick:.0f} %" if percent else tick_words(tick)
        text(frame.root, _LEFT - 5, y + 4, shown, anchor="end", fill=FADED)
    for tick in along.ticks():
        x = along.at(tick)
        line(grid, x, up.begin, x, up.begin + 4, kind="hair")
        frame.label_below(x, up.begin + SMALL + 5, tick_words(tick))


def _draw_band(frame: Frame, steps: Steps, up: Scale, along: Scale) -> None:
    """Draw the band between the limits and their lines, as far as there are limits."""
    if steps.low is None or steps.high is None or not steps.at:
        return
    both = zip(steps.low, steps.high, strict=True)
    known = next((i for i, pair in enumerate(both) if not all(map(isfinite, pair))), len(steps.at))
    if known == 0:
        return
    stop = steps.stop if known == len(steps.at) else steps.at[known]
    edges = [
        _corners(steps.at[0], stop, limit[0], steps.at[:known], limit[:known], up, along)
        for limit in (steps.low, steps.high)
    ]
    band = group(frame.root, class_="band")
    trace(
        band, [*edges[0], *reversed(edges[1])], kind="patch", closed=True, fill=BLUEPRINT, fill_opacity="0.16"
    )
    for edge in edges:
        trace(band, edge, kind="dim", stroke_dasharray="3 2")


def _corners(
    start: float,
    stop: float,
    first: float,
    at: Sequence[float],
    value: Sequence[float],
    up: Scale,
    along: Scale,
) -> list[Point]:
    """Corners of a step line; values beyond the vertical axis are clipped to its end."""
    places = [(along.at(start), up.at(min(first, up.top)))]
    for age, worth in zip(at, value, strict=True):
        x, y = along.at(min(age, along.top)), up.at(min(worth, up.top))
        if len(places) > 1 and x - places[-2][0] < _FINEST:
            places[-1] = (places[-1][0], y)
        else:
            places += [(x, places[-1][1]), (x, y)]
    return [*places, (along.at(min(stop, along.top)), places[-1][1])]


def _label_end(frame: Frame, place: Point, words: str, *, falls: bool) -> None:
    """Write the last value at the end of the curve: beside it, or without space there, above or below."""
    x, y = place
    width = text_width(words, size=SMALL, bold=True)
    if x + width + 6 <= _RIGHT:
        text(frame.root, x + 5, y + 4, words, bold=True)
        return
    y += 15 if falls else -7
    rectangle(
        frame.root, Box(x - width - 2, y - 10, width + 4, 13), kind="patch", fill=PAPER, fill_opacity="0.8"
    )
    text(frame.root, x, y, words, bold=True, anchor="end", fill=INK)
