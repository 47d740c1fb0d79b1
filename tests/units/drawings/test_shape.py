"""What a unit can be, and what is refused before anything is drawn; lettering; and no web framework."""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import units
from tests.units.drawings.reading import NOTIFICATIONS, helvetica_width
from units.drawings import UnitShape, elevation, plan
from units.drawings.lettering import printable, text_width, wrap

BASE: dict[str, Any] = {
    "width_mm": Decimal(1000),
    "height_mm": Decimal(1800),
    "panels": 4,
    "order": "stepped",
    "step_mm": Decimal(6),
}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"panels": 0}, "A unit has 1 to 12 panels, not 0"),
        ({"panels": 13}, "A unit has 1 to 12 panels, not 13"),
        ({"order": "loose"}, "The panel order is one of stepped, equal, not 'loose'"),
        ({"stack_end": "side"}, "The stack end is one of top, bottom, unknown"),
        ({"release": "magnet"}, "The release is one of pins, side spring, unknown"),
        ({"release_side": "up"}, "The release side is one of left, right, both, unknown"),
        ({"width_mm": Decimal(0)}, "The width must be more than nothing"),
        ({"height_mm": Decimal("NaN")}, "The height must be more than nothing"),
        ({"step_mm": Decimal(-1)}, "The step must be more than nothing"),
        ({"inside_edge_mm": Decimal("Infinity")}, "The inside edge must be more than nothing"),
        ({"lower_lite_mm": Decimal(1800)}, "Lower lite and frame are as high as the unit"),
        ({"inside_edge_mm": Decimal(500)}, "The inside edges take the whole width"),
        ({"panel_width_mm": Decimal(1001)}, "Panel 1 is wider than the unit"),
        ({"step_mm": Decimal(200)}, "nothing is left of the narrowest panel"),
    ],
)
def test_what_no_window_can_be_is_refused(change: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        UnitShape(**{**BASE, **change})


def test_the_widest_panel_is_measured_or_reckoned_or_unknown() -> None:
    assert UnitShape(**BASE).widest_panel_mm is None
    assert UnitShape(**BASE, inside_edge_mm=Decimal(6)).widest_panel_mm == 988
    assert UnitShape(**BASE, panel_width_mm=Decimal(980)).widest_panel_mm == 980


@pytest.mark.parametrize("prefix", ["", "1a", "a b", 'a"', "é"])
def test_an_id_prefix_that_cannot_be_an_id_is_refused(prefix: str) -> None:
    for draw in (elevation, plan):
        with pytest.raises(ValueError, match="must begin with a letter"):
            draw(UnitShape(**BASE), title="P-12", id_prefix=prefix)


@given(words=st.text(st.sampled_from(NOTIFICATIONS), max_size=60), bold=st.booleans())
def test_widths_are_reckoned_no_less_than_a_common_face_has(words: str, bold: bool) -> None:
    """Helvetica by Adobe's core 14 font metrics (from memory) is the measure."""
    reckoned = text_width(words, size=12, bold=bold)
    common = helvetica_width(words, size=12, bold=bold)
    assert common <= reckoned + 1e-9


def test_widths_of_plain_sentences_are_not_reckoned_much_too_wide() -> None:
    words = "The narrowest goes in first, next to the screen. Panels do not change channels. 35 7/8 in"
    assert text_width(words, size=12) <= 1.35 * helvetica_width(words, size=12)


@given(words=st.text(max_size=200), width=st.integers(20, 300), bold=st.booleans())
def test_lines_are_no_wider_than_their_room_and_lose_no_word(words: str, width: int, bold: bool) -> None:
    lines = wrap(words, width=width, size=11, bold=bold)
    assert all(text_width(line, size=11, bold=bold) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == printable(words).replace(" ", "")


def test_a_text_too_long_ends_in_an_ellipsis() -> None:
    lines = wrap("one two three four five six", width=60, size=11, most=2)
    assert lines == ["one two", "three\u2026"]
    assert wrap("ten tens and ten", width=60, size=11, most=1) == ["ten ten\u2026"]
    assert wrap("one two", width=60, size=11, most=1) == ["one two"]


def test_notifications_of_other_scripts_take_more_room() -> None:
    assert text_width("窓", size=10) > text_width("m", size=10) > text_width("é", size=10)
    assert text_width("é", size=10) == text_width("e\u0301", size=10) == text_width("e", size=10)
    assert text_width("Ж", size=10) > text_width("e", size=10)


@pytest.mark.parametrize("module", ["units.lengths", "units.geometry", "units.drawings"])
def test_a_fresh_interpreter_draws_without_the_web_framework(module: str) -> None:
    code = (
        f"import sys, {module}; print(sorted(name for name in sys.modules if name.split('.')[0] == 'django'))"
    )
    root = Path(units.__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
