"""Panels of a window: count, heights, widths, open share, and order of removal.

All lengths are ``Decimal`` millimeters, in and out.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final, Literal

from units.geometry.bounds import need_not_negative, need_positive
from units.lengths import MM_PER_INCH

PanelOrder = Literal["stepped", "equal"]

# Three panels below 60 in of sliding height, four from there on: common practice, no source.
PANEL_THRESHOLD_MM: Final = 60 * MM_PER_INCH


@dataclass(frozen=True, slots=True)
class RemovalOrder:
    """Order in which panels come out and go back, and why."""

    take_out: tuple[int, ...]
    put_back: tuple[int, ...]
    interchangeable: bool
    why_out: str
    why_back: str


def suggest_panels(height_mm: Decimal, *, threshold_mm: Decimal = PANEL_THRESHOLD_MM) -> int:
    """Suggested number of panels of a sliding field: three below the threshold height, four from it on.

    A suggestion for a form, never a fact: the count recorded at the window wins. The height is that of the
    sliding field, without a fixed lower lite. Common practice, no source.
    """
    need_positive("height", height_mm)
    need_positive("threshold", threshold_mm)
    return 3 if height_mm < threshold_mm else 4


def open_fraction(
    panels: int, *, height_mm: Decimal | None = None, lower_lite_mm: Decimal = Decimal(0)
) -> Fraction:
    """Share of the window that can stand open when all panels are stacked.

    Parameters
    ----------
    panels
        How many panels slide.
    height_mm
        Height of the whole window; needed only with a lower lite.
    lower_lite_mm
        Height of the fixed lower lite, zero if there is none.

    Returns
    -------
    Fraction
        ``(n - 1) / n`` of the panel field, times ``(H - h) / H`` with a lower lite of height h.

    Notes
    -----
    Plain geometry: the stack takes the room of one panel. Laps and frame rails are left out.
    """
    _need_panels(panels)
    share = Fraction(panels - 1, panels)
    if lower_lite_mm == 0:
        return share
    if height_mm is None:
        raise ValueError("Give the height of the window too: the lower lite takes its share of it.")
    need_positive("height", height_mm)
    need_positive("height of the lower lite", lower_lite_mm)
    if lower_lite_mm >= height_mm:
        raise ValueError("The lower lite is as high as the window: check both heights.")
    return share * (1 - Fraction(lower_lite_mm) / Fraction(height_mm))


def panel_height(field_height_mm: Decimal, *, panels: int, lap_mm: Decimal = Decimal(0)) -> Decimal:
    """Height of one panel when equal panels close a field with laps: (H + (n-1) lap) / n."""
    need_positive("height", field_height_mm)
    _need_panels(panels)
    need_not_negative("lap", lap_mm)
    if panels > 1 and lap_mm >= field_height_mm:
        raise ValueError("The lap is as high as the field: check which is which.")
    return (field_height_mm + (panels - 1) * lap_mm) / panels


def stepped_widths(widest_mm: Decimal, *, panels: int, step_mm: Decimal) -> tuple[Decimal, ...]:
    """Panel widths of a stepped track from the inside (widest) to the screen (narrowest).

    Parameters
    ----------
    widest_mm
        Width of panel 1, the one on the inside.
    panels
        How many panels slide.
    step_mm
        How much the track narrows from one channel to the next, on each side.

    Returns
    -------
    tuple of Decimal
        ``width_1 - 2 s (k - 1)`` for k = 1 ... n.
    """
    need_positive("width", widest_mm)
    _need_panels(panels)
    need_positive("step", step_mm)
    widths = tuple(widest_mm - 2 * step_mm * k for k in range(panels))
    if widths[-1] <= 0:
        raise ValueError("With steps this wide nothing is left of the narrowest panel: check step and width.")
    return widths


def removal_order(panels: int, *, order: PanelOrder) -> RemovalOrder:
    """Order in which panels come out for washing and go back.

    On a stepped track each panel fits one channel only and the wider ones stand in the way of the narrower.
    Equal panels may come out in any order; the one given is the order they are reached in. Both are common
    practice, no source.
    """
    _need_panels(panels)
    out = tuple(range(1, panels + 1))
    back = out[::-1]
    if order == "stepped":
        return RemovalOrder(
            out,
            back,
            interchangeable=False,
            why_out="From the inside out: the widest panel comes first.",
            why_back="The narrowest goes in first, next to the screen. Panels do not change channels.",
        )
    if order == "equal":
        return RemovalOrder(
            out,
            back,
            interchangeable=True,
            why_out="Any order works, the panels are equal; this is the order they are reached in.",
            why_back="Any panel fits any channel; this puts each back where it was.",
        )
    raise ValueError(f"Panels are 'stepped' or 'equal', not {order!r}.")


def _need_panels(panels: int) -> None:
    if panels < 1:
        raise ValueError(f"A window has at least one panel, not {panels}: count again.")
