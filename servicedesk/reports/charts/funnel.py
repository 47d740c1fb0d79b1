"""Funnel plot: rates against time at risk, between control limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from servicedesk.reports.charts.frame import FADED, HAIRLINE, LARGE, SMALL, WIDTH, Frame
from servicedesk.reports.charts.scales import Scale, nice_top, tick_words
from units.drawings.lettering import text_width
from units.drawings.sheet import INK, PAPER, disc, group, line, text, trace

_LEFT: Final = 38
_RIGHT: Final = WIDTH - 12
_HEIGHT: Final = 170
_LEAST_TOP: Final = 0.05
"""Least end of the rate axis: tick labels of a shorter axis are too long for its left edge."""

Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class FunnelPoint:
    """One group: its time at risk, its rate, and whether it is labeled in the chart."""

    name: str
    exposure: float
    rate: float
    named: bool = True


@dataclass(frozen=True, kw_only=True)
class FunnelLimits:
    """Control limits of a rate by ascending time at risk, and the label of their line."""

    words: str
    exposure: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


def funnel(
    points: Sequence[FunnelPoint],
    *,
    center: float,
    limits: Sequence[FunnelLimits],
    title: str,
    axes: tuple[str, str],
    id_prefix: str,
    heading: str = "",
) -> str:
    """Draw a funnel plot of rates against time at risk, with the common rate and its control limits.

    Parameters
    ----------
    points
        The groups; labeled ones get a number beside their disc and their name below the chart.
    center
        The common rate, drawn as a line across.
    limits
        Pairs of lines, narrow ones first; each narrows to the right, with more time at risk.
    title
        Accessible name of the chart.
    axes
        Labels of the vertical and the horizontal axis; both begin at zero.
    id_prefix
        Prefix of every id, so that several charts fit on one page.
    heading
        What the groups have in common, written above the chart.

    Returns
    -------
    str
        An ``<svg>`` element.
    """
    named = [point for point in points if point.named]
    captions = [f"{point.name}: {point.rate:,.3g} at {point.exposure:,.4g}" for point in named]
    frame = Frame(
        title=title,
        description=f"{axes[0]} against {axes[1]}; in all {center:,.3g}. {'. '.join(captions)}.",
        id_prefix=id_prefix,
    )
    if heading:
        frame.write(heading, size=LARGE, bold=True)
    frame.write(axes[0], fill=FADED)
    top = frame.y + 8
    highest = max([center * 2, *(point.rate for point in points)])
    up = Scale(max(_LEAST_TOP, nice_top(1.1 * highest)), top + _HEIGHT, top)
    widest = max(text_width(tick_words(tick), size=SMALL) for tick in up.ticks())
    along = Scale(nice_top(max(point.exposure for point in points)), max(_LEFT, widest + 9), _RIGHT)
    _draw_axes(frame, up, along)
    labels = _Labels(frame, left=along.begin, top=top - 4, bottom=top + _HEIGHT)
    common = group(frame.root, class_="curve")
    line(common, along.begin, up.at(center), along.end, up.at(center), kind="dim")
    for number, pair in enumerate(limits):
        _draw_limits(frame, pair, up, along, dash="3 2" if number == 0 else "7 3")
    _draw_points(frame, labels, points, up, along)
    labels.write_last("all together", up.at(center) - 4)
    for pair in limits:
        if pair.high[-1] <= up.top:
            labels.write_last(pair.words, up.at(pair.high[-1]) - 3)
    frame.y = top + _HEIGHT + 2 * (SMALL + 4)
    text(frame.root, _RIGHT, frame.y, axes[1], anchor="end", fill=FADED)
    for number, words in enumerate(captions, start=1):
        frame.write(f"{number}  {words}")
    return frame.finish()


class _Labels:
    """Labels in the plot area that do not overlap."""

    def __init__(self, frame: Frame, *, left: float, top: float, bottom: float) -> None:
        self.frame, self.left, self.top, self.bottom = frame, left, top, bottom
        self.taken: list[tuple[float, float, float]] = []

    def write_beside(self, x: float, y: float, words: str) -> None:
        """Write a label beside a disc, moved up or down with a hairline to it where others are in the way."""
        width = text_width(words, size=SMALL, bold=True)
        for shift in (-3.0, 10.0, -17.0, 24.0, -31.0, 38.0, -45.0, 52.0, -59.0):
            for left in (x + 7, x - 7 - width):
                if (
                    left + width < WIDTH - 2
                    and left > self.left + 1
                    and self._is_free(left, y + shift, width)
                ):
                    if abs(shift) > 10:
                        line(self.frame.root, x, y, left + width / 2, y + shift - 4, kind="hair")
                    self._write(left, y + shift, words, width, bold=True, fill=INK)
                    return

    def write_last(self, words: str, y: float) -> None:
        """Write a label at the right-hand end, where there is space."""
        width = text_width(words, size=SMALL)
        if self._is_free(_RIGHT - width, y, width):
            self._write(_RIGHT - width, y, words, width, bold=False, fill=FADED)

    def _is_free(self, left: float, y: float, width: float) -> bool:
        inside = self.top + SMALL <= y <= self.bottom
        return inside and not any(
            left < end + 2 and begin < left + width + 2 and abs(y - other) < SMALL + 4
            for begin, end, other in self.taken
        )

    def _write(self, left: float, y: float, words: str, width: float, *, bold: bool, fill: str) -> None:
        self.taken.append((left, left + width, y))
        text(self.frame.root, left, y, words, bold=bold, fill=fill)


def _draw_axes(frame: Frame, up: Scale, along: Scale) -> None:
    grid = group(frame.root, class_="grid")
    for tick in up.ticks():
        y = up.at(tick)
        line(grid, along.begin, y, along.end, y, kind="hair", stroke=FADED if tick == 0 else HAIRLINE)
        text(frame.root, along.begin - 5, y + 4, tick_words(tick), anchor="end", fill=FADED)
    end = 0.0
    for tick in along.ticks():
        x, words = along.at(tick), tick_words(tick)
        line(grid, x, up.begin, x, up.begin + 4, kind="hair")
        half = text_width(words, size=SMALL) / 2
        # Labels that would overlap are left out.
        if min(x, WIDTH - half - 1) - half > end:
            frame.label_below(x, up.begin + SMALL + 5, words)
            end = x + half + 4


def _draw_limits(frame: Frame, pair: FunnelLimits, up: Scale, along: Scale, *, dash: str) -> None:
    """Draw both limits as far as they lie within the axes."""
    lines = group(frame.root, class_="band")
    for values in (pair.low, pair.high):
        places = [
            (along.at(x), up.at(y))
            for x, y in zip(pair.exposure, values, strict=True)
            if y <= up.top and x <= along.top
        ]
        if len(places) > 1:
            trace(lines, places, kind="dim", stroke_dasharray=dash)


def _draw_points(
    frame: Frame, labels: _Labels, points: Sequence[FunnelPoint], up: Scale, along: Scale
) -> None:
    """Draw a disc for each group, and a number beside the labeled ones."""
    marks = group(frame.root, class_="marks")
    named = 0
    for point in points:
        x, y = along.at(point.exposure), up.at(point.rate)
        disc(marks, x, y, 4.5 if point.named else 2.5, kind="mark", stroke=PAPER)
        if point.named:
            named += 1
            labels.write_beside(x, y, str(named))
