"""Openings: readings, squareness, the size to order and the room for a jamb.

Check values
------------
Rough opening 48 x 72 in, allowance 1/2 in, jambs of 3/4 in all round: order 46 x 70 in (common practice, no
source; arithmetic). Diagonals of 48 x 72 in differing by 1/4 in: the top stands 0.225 in out (geometry,
checked below by drawing the parallelogram). Limits of 1/8 and 1/4 in and allowances of 1/4 to 1/2 in:
installers' guides (secondary texts). Tapered and full inside edges, the 1/4 in spread: common practice, no
source.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from math import hypot

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from units.geometry import (
    Size,
    can_add_jamb_later,
    check_diagonals,
    compare_readings,
    largest_rectangle_width,
    order_size,
    racking_offset,
    size_warnings,
)

INCH = Decimal("25.4")


def inches(width: str, height: str) -> Size:
    """Write a size in inches."""
    return Size(Decimal(width) * INCH, Decimal(height) * INCH)


def test_the_worked_order_comes_out_at_46_by_70() -> None:
    jamb = Decimal("0.75") * INCH
    size = order_size(
        inches("48", "72"), allowance_mm=INCH / 2, side_jamb_mm=jamb, head_jamb_mm=jamb, sill_jamb_mm=jamb
    )
    assert size == inches("46", "70")


def test_head_and_sill_may_differ_or_have_no_jamb() -> None:
    size = order_size(inches("48", "72"), allowance_mm=INCH / 4, head_jamb_mm=INCH, sill_jamb_mm=2 * INCH)
    assert size == inches("47.75", "68.75")


@given(lengths=st.lists(st.decimals(min_value=0, max_value=60, places=6), min_size=4, max_size=4))
def test_opening_is_the_unit_with_all_that_goes_round_it(lengths: list[Decimal]) -> None:
    """The second opinion: put allowance and jambs back round the unit, in rational arithmetic."""
    gap, side, head, sill = lengths
    opening = inches("48", "72")
    unit = order_size(opening, allowance_mm=gap, side_jamb_mm=side, head_jamb_mm=head, sill_jamb_mm=sill)
    parts = [Fraction(length) for length in (gap, side, head, sill)]
    assert Fraction(unit.width_mm) + parts[0] + 2 * parts[1] == Fraction(opening.width_mm)
    assert Fraction(unit.height_mm) + parts[0] + parts[2] + parts[3] == Fraction(opening.height_mm)


def test_an_order_of_nothing_is_refused() -> None:
    small = Size(Decimal(20), Decimal(2000))
    with pytest.raises(ValueError, match="leave nothing of the opening"):
        order_size(small, allowance_mm=INCH)
    with pytest.raises(ValueError, match="leave nothing of the opening"):
        order_size(Size(Decimal(2000), Decimal(20)), allowance_mm=INCH)
    with pytest.raises(ValueError, match="The sill jamb must be zero or more, not -1 mm"):
        order_size(small, allowance_mm=Decimal(0), sill_jamb_mm=Decimal(-1))


@pytest.mark.parametrize(
    ("edge", "thickness", "reveal", "answer", "words"),
    [
        (None, "0.75", "0.25", "ask", "Nobody has measured"),
        ("0.25", "0.125", "0", "no", "The frame tapers to 1/4 in"),
        ("0.375", "0.125", "0", "no", "The frame tapers to 3/8 in"),
        ("0.5", "0.25", "0.125", "ask", "3/8 in would fit on an inside edge of 1/2 in"),
        ("0.5", "0.5", "0.125", "no", "take 5/8 in, the inside edge has 1/2 in"),
        ("1", "0.75", "0.25", "yes", "take 1 in and the inside edge has 1 in"),
        ("1", "0.8125", "0.25", "no", "take 1 1/16 in, the inside edge has 1 in"),
        ("1.5", "0.75", "0.25", "yes", "take 1 in and the inside edge has 1 1/2 in"),
    ],
)
def test_a_jamb_can_be_added_later_only_where_the_edge_leaves_room(
    edge: str | None, thickness: str, reveal: str, answer: str, words: str
) -> None:
    verdict = can_add_jamb_later(
        None if edge is None else Decimal(edge) * INCH,
        jamb_thickness_mm=Decimal(thickness) * INCH,
        reveal_mm=Decimal(reveal) * INCH,
    )
    assert verdict.answer == answer
    assert words in verdict.reason


def test_the_verdict_speaks_the_unit_asked_for() -> None:
    verdict = can_add_jamb_later(Decimal(25), jamb_thickness_mm=Decimal(24), reveal_mm=Decimal(2), unit="mm")
    assert "take 26 mm, the inside edge has 25 mm" in verdict.reason


def test_the_smallest_of_three_readings_counts() -> None:
    readings = compare_readings([48 * INCH, Decimal("47.875") * INCH, Decimal("48.125") * INCH], axis="width")
    assert readings.smallest_mm == Decimal("47.875") * INCH
    assert readings.spread_mm == INCH / 4
    assert readings.warning == ""


def test_readings_far_apart_warn() -> None:
    readings = compare_readings([72 * INCH, Decimal("72.3125") * INCH, 72 * INCH], axis="height")
    assert readings.smallest_mm == 72 * INCH
    assert readings.warning.startswith("The three readings of the height differ by 5/16 in.")
    in_metric = compare_readings([Decimal(1800), Decimal(1810), Decimal(1805)], axis="height", unit="mm")
    assert "differ by 10 mm" in in_metric.warning


def test_three_readings_are_asked_for() -> None:
    with pytest.raises(ValueError, match="Read the width three times: top, middle and bottom"):
        compare_readings([INCH], axis="width")
    with pytest.raises(ValueError, match="Read the height three times: left, middle and right"):
        compare_readings([], axis="height")
    with pytest.raises(ValueError, match="The height must be more than nothing"):
        compare_readings([INCH, INCH, Decimal(0)], axis="height")


def test_racking_of_the_worked_opening() -> None:
    diagonal = (Decimal(48) ** 2 + Decimal(72) ** 2).sqrt() * INCH
    offset = racking_offset(INCH / 4, diagonal_mm=diagonal, width_mm=48 * INCH)
    assert round(offset / INCH, 3) == Decimal("0.225")


@given(width=st.floats(300, 3000), height=st.floats(300, 3000), shift=st.floats(-40, 40))
def test_agrees_with_a_drawn_parallelogram(width: float, height: float, shift: float) -> None:
    """The second opinion: shift the top of a rectangle, measure both diagonals, and find the shift again."""
    rising, falling = hypot(width + shift, height), hypot(width - shift, height)
    assume(min(rising, falling) > max(width, height) + 1e-6)
    squareness = check_diagonals(
        Size(Decimal(width), Decimal(height)), rising_mm=Decimal(rising), falling_mm=Decimal(falling)
    )
    assert float(squareness.top_offset_mm) == pytest.approx(abs(shift), abs=1e-6)
    if abs(shift) > 1e-6:
        assert squareness.leans == ("right" if shift > 0 else "left")


@pytest.mark.parametrize(
    ("width", "height", "difference", "within"),
    [
        ("36", "60", "0.125", True),
        ("36", "60", "0.1875", False),
        ("48", "60", "0.1875", False),
        ("48", "72", "0.25", True),
        ("48", "72", "0.3125", False),
    ],
)
def test_diagonals_may_differ_by_an_eighth_or_a_quarter_above_twenty_square_feet(
    width: str, height: str, difference: str, within: bool
) -> None:
    opening = inches(width, height)
    short = Decimal(round(hypot(opening.width_mm, opening.height_mm)))
    squareness = check_diagonals(opening, rising_mm=short, falling_mm=short + Decimal(difference) * INCH)
    assert squareness.within_limit is within
    assert squareness.leans == "left"


def test_a_square_opening_leans_nowhere() -> None:
    squareness = check_diagonals(inches("30", "40"), rising_mm=50 * INCH, falling_mm=50 * INCH)
    assert squareness.leans == "nowhere"
    assert squareness.top_offset_mm == 0
    assert squareness.within_limit


@pytest.mark.parametrize("diagonal", ["40", "70"])
def test_a_diagonal_that_cannot_be_is_measured_again(diagonal: str) -> None:
    with pytest.raises(ValueError, match="longer than either side and shorter than both together"):
        check_diagonals(inches("30", "40"), rising_mm=50 * INCH, falling_mm=Decimal(diagonal) * INCH)


@given(width=st.integers(60, 160), offset=st.integers(0, 40))
def test_no_wider_upright_rectangle_fits_between_leaning_sides(width: int, offset: int) -> None:
    """The second opinion: try every upright rectangle on a millimeter grid in the parallelogram."""
    height = 200

    def inside(x: int, y: int) -> bool:
        return height * x >= offset * y and height * (x - width) <= offset * y

    def fits(left: int, wide: int) -> bool:
        return all(inside(x, y) for x in (left, left + wide) for y in (0, height))

    widest = max(wide for left in range(offset + 1) for wide in range(width + 1) if fits(left, wide))
    assert largest_rectangle_width(Decimal(width), plumb_offset_mm=Decimal(offset)) == widest


def test_a_lean_wider_than_the_opening_is_measured_again() -> None:
    with pytest.raises(ValueError, match="lean by more than the width"):
        largest_rectangle_width(Decimal(10), plumb_offset_mm=Decimal(10))


def test_warns_of_swapped_sides() -> None:
    assert size_warnings(inches("46", "70"), opening=inches("48", "72")) == ()
    assert "look swapped" in size_warnings(inches("70", "46"), opening=inches("48", "72"))[0]
    assert size_warnings(inches("80", "46"), opening=inches("48", "72")) == ()
    assert size_warnings(inches("60", "40")) == ()
    assert "look swapped" in size_warnings(inches("72", "46"))[0]


@pytest.mark.parametrize(
    ("width", "height", "shown"), [("12", "23", "1.9 ft²"), ("96", "96", "64.0 ft²"), ("4.6", "7", "0.2 ft²")]
)
def test_warns_of_an_area_no_window_has(width: str, height: str, shown: str) -> None:
    (warning,) = size_warnings(inches(width, height))
    assert shown in warning
    assert "check the size and its unit" in warning


def test_a_size_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="The width must be more than nothing, not 0 mm"):
        Size(Decimal(0), INCH)
    with pytest.raises(ValueError, match="The height must be more than nothing, not Infinity mm"):
        Size(INCH, Decimal("Infinity"))
