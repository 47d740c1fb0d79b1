"""Openings: readings, squareness, the size of unit to order, and room for an extension jamb.

All lengths are ``Decimal`` millimeters, in and out. Figures marked "common practice, no source" are what
fitters work to; where a maker or a local code states another, that one counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final, Literal

from units.geometry.bounds import need_not_negative, need_positive
from units.lengths import MM_PER_INCH, LengthUnit, format_length

Axis = Literal["width", "height"]

MM2_PER_SQUARE_FOOT: Final = (12 * MM_PER_INCH) ** 2

# A frame that tapers toward the room ends in an edge of about a quarter inch, a full one in an inch: common
# practice, no source. Whatever a tape reads up to three eighths counts as tapered.
TAPERED_EDGE_MM: Final = Decimal("0.375") * MM_PER_INCH
FULL_EDGE_MM: Final = MM_PER_INCH
# Three readings of one side further apart than this must be repeated: common practice, no source.
SPREAD_LIMIT_MM: Final = MM_PER_INCH / 4
# Diagonals of an opening: installers' guides (secondary texts) ask for 1/8 in, or 1/4 in above about 20 ft2.
DIAGONAL_LIMIT_MM: Final = MM_PER_INCH / 8
LARGE_DIAGONAL_LIMIT_MM: Final = MM_PER_INCH / 4
LARGE_AREA_FT2: Final = 20
# Sizes outside these are more often a slip than a window: common practice, no source.
SMALLEST_AREA_FT2: Final = 2
LARGEST_AREA_FT2: Final = 60
WIDEST_SHAPE: Final = Fraction(3, 2)


@dataclass(frozen=True, slots=True)
class Size:
    """Width and height of a unit or of its opening, in millimeters."""

    width_mm: Decimal
    height_mm: Decimal

    def __post_init__(self) -> None:
        need_positive("width", self.width_mm)
        need_positive("height", self.height_mm)

    @property
    def area_ft2(self) -> Fraction:
        """Area in square feet, exact."""
        return Fraction(self.width_mm) * Fraction(self.height_mm) / Fraction(MM2_PER_SQUARE_FOOT)


@dataclass(frozen=True, slots=True)
class JambVerdict:
    """Whether a jamb can be added on the inside later without locking the panels in."""

    answer: Literal["yes", "no", "ask"]
    reason: str


@dataclass(frozen=True, slots=True)
class Readings:
    """Smallest of three readings of one side, their spread, and a warning where they differ much."""

    smallest_mm: Decimal
    spread_mm: Decimal
    warning: str


@dataclass(frozen=True, slots=True)
class Squareness:
    """Deviation of an opening from a rectangle, by its diagonals."""

    difference_mm: Decimal
    limit_mm: Decimal
    top_offset_mm: Decimal
    leans: Literal["left", "right", "nowhere"]

    @property
    def within_limit(self) -> bool:
        """Whether the diagonals agree as closely as installers ask."""
        return self.difference_mm <= self.limit_mm


def can_add_jamb_later(
    inside_edge_mm: Decimal | None, *, jamb_thickness_mm: Decimal, reveal_mm: Decimal, unit: LengthUnit = "in"
) -> JambVerdict:
    """Whether an extension jamb can be added later without keeping the panels from coming out.

    Parameters
    ----------
    inside_edge_mm
        How thick the frame is at its inside edge; None if nobody has measured it.
    jamb_thickness_mm
        Thickness of the jamb boards.
    reveal_mm
        How much of the frame must stay free, so that a panel can be swung or lifted out.
    unit
        The unit lengths are named in.

    Notes
    -----
    A jamb of thickness t goes on a full edge if ``t <= edge - reveal``; on an edge tapered to about a quarter
    inch none does. Between the two a jamb that is too thick is refused and any other is a question for the
    maker. Common practice, no source.
    """
    need_positive("thickness of the jamb", jamb_thickness_mm)
    need_not_negative("reveal", reveal_mm)
    if inside_edge_mm is None:
        return JambVerdict(
            "ask",
            "Nobody has measured the inside edge of the frame. Measure it, or ask the maker before cutting.",
        )
    need_positive("inside edge", inside_edge_mm)
    edge = format_length(inside_edge_mm, unit=unit, rounding="down")
    needed = format_length(jamb_thickness_mm + reveal_mm, unit=unit, rounding="up")
    if inside_edge_mm <= TAPERED_EDGE_MM:
        return JambVerdict(
            "no",
            f"The frame tapers to {edge} on the inside, so a jamb would keep the panels in. "
            "Fit the jamb first, or order the unit smaller by the jamb.",
        )
    if jamb_thickness_mm > inside_edge_mm - reveal_mm:
        return JambVerdict(
            "no",
            f"Jamb and reveal take {needed}, the inside edge has {edge}. Use a thinner one or fit it first.",
        )
    if inside_edge_mm < FULL_EDGE_MM:
        return JambVerdict(
            "ask", f"{needed} would fit on an inside edge of {edge}, but it is no full edge. Ask the maker."
        )
    return JambVerdict("yes", f"Jamb and reveal take {needed} and the inside edge has {edge}.")


def order_size(
    opening: Size,
    *,
    allowance_mm: Decimal,
    side_jamb_mm: Decimal = Decimal(0),
    head_jamb_mm: Decimal = Decimal(0),
    sill_jamb_mm: Decimal = Decimal(0),
) -> Size:
    """Size to order for an opening that also takes extension jambs.

    Parameters
    ----------
    opening
        The rough opening, each side from its smallest reading.
    allowance_mm
        What the unit is smaller than the opening, in total for each direction: 1/4 to 1/2 in by installers'
        guides (secondary texts) unless the maker states another.
    side_jamb_mm, head_jamb_mm, sill_jamb_mm
        Thickness of the jamb at each side, at the head and at the sill; zero where there is none.

    Returns
    -------
    Size
        ``W - allowance - 2 t`` by ``H - allowance - t_head - t_sill``. Show it rounded down.
    """
    for name, length in (
        ("allowance", allowance_mm),
        ("side jamb", side_jamb_mm),
        ("head jamb", head_jamb_mm),
        ("sill jamb", sill_jamb_mm),
    ):
        need_not_negative(name, length)
    width = opening.width_mm - allowance_mm - 2 * side_jamb_mm
    height = opening.height_mm - allowance_mm - head_jamb_mm - sill_jamb_mm
    if width <= 0 or height <= 0:
        raise ValueError("Allowance and jambs leave nothing of the opening: check their thickness.")
    return Size(width, height)


def compare_readings(readings_mm: Sequence[Decimal], *, axis: Axis, unit: LengthUnit = "in") -> Readings:
    """Combine the three readings of one side: the smallest counts, a wide spread warns.

    Width is read at top, middle and bottom, height at left, middle and right. Common practice, no source.
    """
    if len(readings_mm) != 3:
        places = "top, middle and bottom" if axis == "width" else "left, middle and right"
        raise ValueError(f"Read the {axis} three times: {places}.")
    for reading in readings_mm:
        need_positive(axis, reading)
    smallest = min(readings_mm)
    spread = max(readings_mm) - smallest
    warning = ""
    if spread > SPREAD_LIMIT_MM:
        shown = format_length(spread, unit=unit, rounding="up")
        warning = (
            f"The three readings of the {axis} differ by {shown}. "
            "Measure again; if they hold, the opening needs work before a unit fits."
        )
    return Readings(smallest, spread, warning)


def racking_offset(difference_mm: Decimal, *, diagonal_mm: Decimal, width_mm: Decimal) -> Decimal:
    """Offset of the top of a racked opening to one side: dD D / (2 W).

    Parameters
    ----------
    difference_mm
        Longer diagonal less shorter.
    diagonal_mm
        Mean of the two diagonals.
    width_mm
        Width of the opening.

    Notes
    -----
    In a parallelogram whose top is shifted by x, D1^2 - D2^2 = 4 W x; with D the mean of both this is
    exactly x = (D1 - D2) D / (2 W).
    """
    need_not_negative("difference of the diagonals", difference_mm)
    need_positive("diagonal", diagonal_mm)
    need_positive("width", width_mm)
    return difference_mm * diagonal_mm / (2 * width_mm)


def check_diagonals(opening: Size, *, rising_mm: Decimal, falling_mm: Decimal) -> Squareness:
    """Squareness of an opening from both diagonals: how far it is racked, and to which side it leans.

    Parameters
    ----------
    opening
        Width and height of the opening.
    rising_mm
        From lower left to upper right, seen from inside.
    falling_mm
        From upper left to lower right.

    Notes
    -----
    The limit is 1/8 in, or 1/4 in above 20 ft2: installers' guides (secondary texts); there is no figure
    all agree on.
    """
    for diagonal in (rising_mm, falling_mm):
        need_positive("diagonal", diagonal)
        if not max(opening.width_mm, opening.height_mm) < diagonal < opening.width_mm + opening.height_mm:
            raise ValueError(
                "A diagonal is longer than either side and shorter than both together: measure it again."
            )
    difference = abs(rising_mm - falling_mm)
    mean = (rising_mm + falling_mm) / 2
    leans: Literal["left", "right", "nowhere"] = "nowhere"
    if difference:
        leans = "right" if rising_mm > falling_mm else "left"
    return Squareness(
        difference_mm=difference,
        limit_mm=LARGE_DIAGONAL_LIMIT_MM if opening.area_ft2 > LARGE_AREA_FT2 else DIAGONAL_LIMIT_MM,
        top_offset_mm=racking_offset(difference, diagonal_mm=mean, width_mm=opening.width_mm),
        leans=leans,
    )


def largest_rectangle_width(smallest_width_mm: Decimal, *, plumb_offset_mm: Decimal) -> Decimal:
    """Width of the largest upright rectangle in a leaning opening: W_min less the offset."""
    need_positive("width", smallest_width_mm)
    need_not_negative("plumb offset", plumb_offset_mm)
    if plumb_offset_mm >= smallest_width_mm:
        raise ValueError("The sides lean by more than the width: measure the plumb offset again.")
    return smallest_width_mm - plumb_offset_mm


def size_warnings(size: Size, *, opening: Size | None = None) -> tuple[str, ...]:
    """Warnings about a typed size: sides swapped, or an area no such window has.

    Warnings, never refusals: odd windows exist. The bounds are common practice, no source.
    """
    warnings = []
    if _looks_swapped(size, opening):
        warnings.append("Width and height look swapped: width comes first, height second.")
    if not SMALLEST_AREA_FT2 <= size.area_ft2 <= LARGEST_AREA_FT2:
        warnings.append(
            f"An area of {float(size.area_ft2):.1f} ft² is unusual for one window "
            f"({SMALLEST_AREA_FT2} to {LARGEST_AREA_FT2} ft² is usual): check the size and its unit."
        )
    return tuple(warnings)


def _looks_swapped(size: Size, opening: Size | None) -> bool:
    """Whether the unit fits its opening only turned; without an opening, whether it is much too wide."""
    if opening is None:
        return Fraction(size.width_mm) > WIDEST_SHAPE * Fraction(size.height_mm)
    fits = size.width_mm <= opening.width_mm and size.height_mm <= opening.height_mm
    fits_turned = size.width_mm <= opening.height_mm and size.height_mm <= opening.width_mm
    return fits_turned and not fits
