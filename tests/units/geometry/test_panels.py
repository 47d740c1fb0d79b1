"""Panels: how they share the field, how wide each is on a stepped track, in which order they come out.

Check values
------------
Three panels below 60 in, four from 60 in on, a step on each side of a stepped track: common practice, no
source. Open shares of 75 %, 66.7 % and 50 % for four, three and two panels: plain geometry, measured below by
laying panels on a line.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from units.geometry import (
    PanelOrder,
    open_fraction,
    panel_height,
    removal_order,
    stepped_widths,
    suggest_panels,
)

INCH = Decimal("25.4")
COUNTS = st.integers(1, 12)
HEIGHTS = st.decimals(min_value=200, max_value=9000, places=3)


@pytest.mark.parametrize(
    ("inches", "panels"), [("20", 3), ("59.9375", 3), ("60", 4), ("60.0625", 4), ("96", 4)]
)
def test_suggests_three_panels_below_sixty_inches_and_four_from_there(inches: str, panels: int) -> None:
    assert suggest_panels(Decimal(inches) * INCH) == panels


def test_a_company_can_move_the_threshold() -> None:
    assert suggest_panels(Decimal(1500), threshold_mm=Decimal(1500)) == 4
    assert suggest_panels(Decimal(1500), threshold_mm=Decimal(1501)) == 3


@pytest.mark.parametrize(("panels", "percent"), [(1, 0), (2, 50), (3, 66.7), (4, 75)])
def test_opens_by_all_but_one_panel(panels: int, percent: float) -> None:
    assert round(float(open_fraction(panels)) * 100, 1) == percent


def test_a_lower_lite_takes_its_share_of_the_opening() -> None:
    share = open_fraction(3, height_mm=72 * INCH, lower_lite_mm=24 * INCH)
    assert share == Fraction(2, 3) * Fraction(2, 3)


@given(panels=COUNTS, height=HEIGHTS, part=st.fractions(0, Fraction(9, 10), max_denominator=20))
def test_agrees_with_panels_laid_on_a_line(panels: int, height: Decimal, part: Fraction) -> None:
    """The second opinion: stack every panel at the top of the field and measure what no panel covers."""
    lite = Decimal(int(height * part.numerator / part.denominator))
    top, bottom = Fraction(0), Fraction(height) - Fraction(lite)
    each = (bottom - top) / panels
    stacked = [(top, top + each) for _ in range(panels)]
    covered = max(end for _, end in stacked) - min(start for start, _ in stacked)
    assert open_fraction(panels, height_mm=height, lower_lite_mm=lite) == (bottom - covered) / Fraction(
        height
    )


@given(panels=COUNTS, height=HEIGHTS, lap=st.decimals(min_value=0, max_value=100, places=3))
def test_closed_panels_cover_the_field_with_their_laps(panels: int, height: Decimal, lap: Decimal) -> None:
    each = panel_height(height, panels=panels, lap_mm=lap)
    covered = panels * each - (panels - 1) * lap
    assert abs(covered - height) < Decimal("1e-20")


def test_panel_height_of_a_worked_window() -> None:
    assert panel_height(70 * INCH, panels=4) == Decimal("17.5") * INCH
    assert panel_height(70 * INCH, panels=4, lap_mm=INCH) == Decimal("18.25") * INCH


def test_stepped_widths_of_a_worked_track() -> None:
    widths = stepped_widths(46 * INCH, panels=4, step_mm=INCH / 4)
    assert [width / INCH for width in widths] == [Decimal(46), Decimal("45.5"), Decimal(45), Decimal("44.5")]


@given(
    panels=st.integers(2, 12),
    widest=st.decimals(min_value=600, max_value=9000, places=6),
    step=st.decimals(min_value="0.1", max_value=25, places=6),
)
def test_each_stepped_panel_fits_between_the_steps_before_it(
    panels: int, widest: Decimal, step: Decimal
) -> None:
    """The second opinion: walk along both jambs, one step in at every channel."""
    left, right = Fraction(0), Fraction(widest)
    for width in stepped_widths(widest, panels=panels, step_mm=step):
        assert Fraction(width) == right - left
        left, right = left + Fraction(step), right - Fraction(step)


@pytest.mark.parametrize("panels", [1, 2, 3, 4, 5])
def test_a_stepped_track_leaves_one_order_to_take_panels_out(panels: int) -> None:
    """A panel comes out only when no panel stands between it and the room: one permutation is left."""

    def can_be_done(order: tuple[int, ...]) -> bool:
        left_in = set(order)
        for panel in order:
            if min(left_in) < panel:
                return False
            left_in.remove(panel)
        return True

    possible = [order for order in permutations(range(1, panels + 1)) if can_be_done(order)]
    answer = removal_order(panels, order="stepped")
    assert possible == [answer.take_out]
    assert answer.put_back == answer.take_out[::-1]
    assert not answer.interchangeable


def test_the_words_name_which_panel_comes_first() -> None:
    stepped = removal_order(4, order="stepped")
    assert stepped.take_out == (1, 2, 3, 4)
    assert stepped.put_back == (4, 3, 2, 1)
    assert "widest panel comes first" in stepped.why_out
    assert "narrowest goes in first, next to the screen" in stepped.why_back
    assert "do not change channels" in stepped.why_back


def test_equal_panels_come_out_in_any_order_and_say_so() -> None:
    equal = removal_order(3, order="equal")
    assert equal.interchangeable
    assert equal.take_out == (1, 2, 3)
    assert "Any order works" in equal.why_out
    assert "Any panel fits any channel" in equal.why_back


def test_refuses_what_no_window_has() -> None:
    with pytest.raises(ValueError, match="at least one panel, not 0"):
        open_fraction(0)
    with pytest.raises(ValueError, match="at least one panel"):
        removal_order(-1, order="equal")
    with pytest.raises(ValueError, match="'stepped' or 'equal', not 'random'"):
        removal_order(3, order="random")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="height must be more than nothing, not 0 mm"):
        suggest_panels(Decimal(0))
    with pytest.raises(ValueError, match="threshold must be more than nothing"):
        suggest_panels(Decimal(1), threshold_mm=Decimal("NaN"))
    with pytest.raises(ValueError, match="height of the window too"):
        open_fraction(3, lower_lite_mm=Decimal(100))
    with pytest.raises(ValueError, match="as high as the window"):
        open_fraction(3, height_mm=Decimal(100), lower_lite_mm=Decimal(100))
    with pytest.raises(ValueError, match="height of the lower lite must be more than nothing"):
        open_fraction(3, height_mm=Decimal(100), lower_lite_mm=Decimal(-1))
    with pytest.raises(ValueError, match="lap is as high as the field"):
        panel_height(Decimal(100), panels=2, lap_mm=Decimal(100))
    with pytest.raises(ValueError, match="lap must be zero or more"):
        panel_height(Decimal(100), panels=2, lap_mm=Decimal(-1))
    with pytest.raises(ValueError, match="nothing is left of the narrowest panel"):
        stepped_widths(Decimal(100), panels=3, step_mm=Decimal(25))
    with pytest.raises(ValueError, match="step must be more than nothing"):
        stepped_widths(Decimal(100), panels=3, step_mm=Decimal(0))


def test_a_single_panel_needs_no_lap() -> None:
    assert panel_height(Decimal(100), panels=1, lap_mm=Decimal(500)) == 100


@pytest.mark.parametrize("order", ["stepped", "equal"])
@given(panels=COUNTS)
def test_every_panel_comes_out_and_goes_back_once(order: PanelOrder, panels: int) -> None:
    answer = removal_order(panels, order=order)
    assert sorted(answer.take_out) == sorted(answer.put_back) == list(range(1, panels + 1))
