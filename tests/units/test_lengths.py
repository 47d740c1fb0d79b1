"""Lengths: what people type, exact arithmetic, and the way back to a tape.

Check values
------------
1 in = 25.4 mm exactly and 1 ft = 304.8 mm exactly: NIST Special Publication 811, appendix B (from memory).
The millimetre equivalents of the tape's fractions (1/64 in = 0.396875 mm ... 7/8 in = 22.225 mm) are those of
any printed decimal-equivalents chart (from memory); ``fractions.Fraction`` checks them once more below.
"""

from __future__ import annotations

from decimal import Decimal, localcontext
from fractions import Fraction
from typing import get_args

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from units.lengths import (
    MAX_LENGTH_MM,
    LengthError,
    LengthUnit,
    Rounding,
    format_length,
    parse_length,
)

UNITS = st.sampled_from(get_args(LengthUnit))
ROUNDINGS = st.sampled_from(get_args(Rounding))
TYPED = st.text(st.sampled_from("0123456789 ./-'\"⁄′″’”½⅞⅓,infthcm"), max_size=14)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("35 7/8", "911.225"),
        ("35-7/8", "911.225"),
        ('35-7/8"', "911.225"),
        ("35-7/8 in", "911.225"),
        ("35 7/8 in.", "911.225"),
        ("35 7/8 Inches", "911.225"),
        ("2' 11 7/8\"", "911.225"),
        ("2' 11 7/8", "911.225"),
        ("2'-11 7/8\"", "911.225"),
        ("2' - 11 7/8\"", "911.225"),
        ("2 ft 11 in", "889"),
        ("2 ft. 11 in.", "889"),
        ("2 feet", "609.6"),
        ("2.5 ft", "762"),
        ("2 1/2 ft", "762"),
        ("2''", "50.8"),
        ("35.875", "911.225"),
        (".5", "12.7"),
        ("35.", "889"),
        ("9/8", "28.575"),
        ("1/64", "0.396875"),
        ("35 1/64", "889.396875"),
        ("35.015625", "889.396875"),
        ("0", "0"),
        ("  35   7/8  ", "911.225"),
        ("911 mm", "911"),
        ("910 mm", "910"),
        ("91.1 cm", "911"),
        ("0.911 m", "911"),
        ("0.911 Metres", "911"),
        ("35⅞", "911.225"),
        ("35 ⅞″", "911.225"),
        ("35-⅞”", "911.225"),
        ("⅞", "22.225"),
        ("35 7⁄8", "911.225"),
        ("35 ⅟8", "892.175"),
        ("2′ 11⅞″", "911.225"),
        ("2’ 11 7/8”", "911.225"),
        ("35–7/8", "911.225"),
        ("35\u00a07/8\u2009in", "911.225"),
    ],
)
def test_reads_a_length_as_people_write_it(text: str, mm: str) -> None:
    assert str(parse_length(text, unit="in")) == mm


@pytest.mark.parametrize(
    ("text", "mm"),
    [("911", "911"), ("911.25", "911.25"), ('35 7/8"', "911.225"), ("2' 11", "889"), ("1 m", "1000")],
)
def test_a_bare_number_takes_the_unit_asked_for(text: str, mm: str) -> None:
    assert parse_length(text, unit="mm") == Decimal(mm)


@pytest.mark.parametrize(
    ("text", "wrong", "mend"),
    [
        ("35,5", "has a comma", "Type a point for decimals, as in 35.5"),
        ("1,234 mm", "has a comma", "nothing between thousands"),
        ("35，5", "has a comma", "35.5"),
        ("-3", "is negative", "leave out the minus sign"),
        ("− 3 1/2", "is negative", "leave out the minus sign"),
        ("7/0", "divides by zero", "as in 7/8"),
        ("2' 1/0", "divides by zero", "as in 7/8"),
        ("35 9/8", "a fraction of 1 or more after a whole number", "Write 36 1/8"),
        ("35 8/8", "a fraction of 1 or more after a whole number", "Write 36 1/8"),
        ("35 1/3", "a fraction no tape shows", "2, 4, 8, 16, 32 or 64"),
        ("35⅓", "a fraction no tape shows", "2, 4, 8, 16, 32 or 64"),
        ("35 in 7 mm", "more than one unit", "feet and then inches"),
        ("11\" 2'", "more than one unit", "feet and then inches"),
        ("1 in 2 in 3 in", "more than one unit", "feet and then inches"),
        ("2' 11 mm", "more than one unit", "feet and then inches"),
        ("2' 13\"", "12 or more inches after the feet", "Add them to the feet"),
        ("2.5' 6\"", "part feet before inches", "Write whole feet"),
        ("2' 1 1", "is not one number", "as in 2' 11 7/8"),
        ("35 - 7/8", "could be a subtraction", "as in 35 7/8"),
        ("35 -7/8", "could be a subtraction", "as in 35 7/8"),
        ("911 1/2 mm", "a fraction of a metric unit", "911.2 mm"),
        ("35 yd", 'a unit unknown here: "yd"', "Use in, ft, mm, cm or m"),
        ("1e3", 'a unit unknown here: "e"', "Use in, ft, mm, cm or m"),
        ("35 7", "is not one number", "Write it like 35 7/8"),
        ("½½", "is not one number", "Write it like 35 7/8"),
        ("1.2.3", "is not one number", "Write it like 35 7/8"),
        ("inf", "is not a length", "Write it like 35 7/8"),
        ("nan", "is not a length", "Write it like 35 7/8"),
        ("about a yard", "is not a length", "Write it like 35 7/8"),
        ("-", "is not a length", "Write it like 35 7/8"),
        ("35⁷⁄₈", "is not a length", "Write it like 35 7/8"),
        ("٣٥", "is not a length", "Write it like 35 7/8"),
        ("9999.1 mm", "is more than 9999 mm (393 5/8 in)", "Check the number and its unit"),
        ("99999999999999999999", "is more than 9999 mm", "Check the number and its unit"),
        ("35.333333", "more decimals than a tape can show", "Leave out all after the fourth"),
        ("0.0000001 mm", "more decimals than a tape can show", "Leave out all after the fourth"),
        ("7" * 61, "is too long for a length", "one number and its unit"),
    ],
)
def test_says_what_was_typed_what_is_wrong_and_how_to_write_it(text: str, wrong: str, mend: str) -> None:
    with pytest.raises(LengthError) as caught:
        parse_length(text, unit="in")
    said = str(caught.value)
    assert said.startswith(f"“{text[:30]}")
    assert wrong in said
    assert mend in said
    assert said.endswith(".")


@pytest.mark.parametrize("text", ["", "   ", "\n", "\x00"])
def test_says_so_when_there_is_nothing_to_read(text: str) -> None:
    with pytest.raises(
        LengthError, match=r"^What was typed is .*Write it like 911, 911.2 mm or 35 7/8 in\.$"
    ):
        parse_length(text, unit="mm")


def test_the_largest_length_is_still_read() -> None:
    assert parse_length("9999", unit="mm") == MAX_LENGTH_MM


def test_a_unit_that_cannot_be_asked_for_is_refused() -> None:
    with pytest.raises(ValueError, match="read in 'in' or 'mm', not in 'ft'"):
        parse_length("35", unit="ft")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="shown in 'in' or 'mm', not in 'ft'"):
        format_length(Decimal(35), unit="ft")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="rounded 'nearest', 'down' or 'up', not 'off'"):
        format_length(Decimal(35), unit="in", rounding="off")  # type: ignore[arg-type]


@pytest.mark.parametrize("mm", ["-0.1", "NaN", "sNaN", "Infinity"])
def test_refuses_to_show_what_is_no_length(mm: str) -> None:
    with pytest.raises(ValueError, match="must be zero or more"):
        format_length(Decimal(mm), unit="in")


@pytest.mark.parametrize(
    ("mm", "nearest", "down", "up"),
    [
        ("911.225", "35 7/8 in", "35 7/8 in", "35 7/8 in"),
        ("889", "35 in", "35 in", "35 in"),
        ("12.7", "1/2 in", "1/2 in", "1/2 in"),
        ("0", "0 in", "0 in", "0 in"),
        ("0.79375", "1/32 in", "1/32 in", "1/32 in"),
        ("889.79375", "35 1/32 in", "35 1/32 in", "35 1/32 in"),
        ("889.396875", "35 in", "35 in", "35 1/16 in"),
        ("911", "35 7/8 in", "35 13/16 in", "35 7/8 in"),
        ("1", "1/16 in", "0 in", "1/16 in"),
        ("914.3", "36 in", "35 15/16 in", "36 in"),
    ],
)
def test_shows_inches_by_the_sixteenth(mm: str, nearest: str, down: str, up: str) -> None:
    assert format_length(Decimal(mm), unit="in") == nearest
    assert format_length(Decimal(mm), unit="in", rounding="down") == down
    assert format_length(Decimal(mm), unit="in", rounding="up") == up


@pytest.mark.parametrize(
    ("mm", "shown"),
    [
        (Decimal("911.000"), "911 mm"),
        (Decimal("9.1E+2"), "910 mm"),
        (Decimal("911.2250"), "911.225 mm"),
        (Decimal("0.396875"), "0.396875 mm"),
        (Decimal(1778) / 3, "592.7 mm"),
        (Decimal(0), "0 mm"),
    ],
)
def test_shows_millimetres_without_trailing_zeros(mm: Decimal, shown: str) -> None:
    assert format_length(mm, unit="mm") == shown


def test_a_computed_value_rounds_the_way_asked_in_millimetres() -> None:
    third = Decimal(1778) / 3
    assert format_length(third, unit="mm", rounding="down") == "592.6 mm"
    assert format_length(third, unit="mm", rounding="up") == "592.7 mm"


@given(count=st.integers(0, int(MAX_LENGTH_MM / Decimal("0.79375"))), rounding=ROUNDINGS, unit=UNITS)
def test_every_thirty_second_comes_back_as_it_was(count: int, rounding: Rounding, unit: LengthUnit) -> None:
    mm = count * Decimal("0.79375")
    for shown in get_args(LengthUnit):
        assert parse_length(format_length(mm, unit=shown, rounding=rounding), unit=unit) == mm


@given(whole=st.integers(0, 392), top=st.integers(1, 63), power=st.integers(1, 6))
def test_agrees_with_rational_arithmetic(whole: int, top: int, power: int) -> None:
    """The second opinion: the same length by ``Fraction``, which rounds nothing."""
    bottom = 2**power
    top %= bottom
    read = parse_length(f"{whole} {top}/{bottom}", unit="in")
    assert Fraction(read) == (whole + Fraction(top, bottom)) * Fraction(254, 10)
    exponent = read.as_tuple().exponent
    assert isinstance(exponent, int)
    assert -6 <= exponent <= 0


@given(mm=st.decimals(min_value=0, max_value=9990, places=6))
def test_shown_inches_are_the_closest_sixteenth_on_the_side_asked_for(mm: Decimal) -> None:
    sixteenth = Fraction(254, 160)
    below, near, above = (
        Fraction(parse_length(format_length(mm, unit="in", rounding=way), unit="in"))
        for way in ("down", "nearest", "up")
    )
    exact = Fraction(mm)
    assert below <= exact <= above
    assert above - below in (0, sixteenth)
    assert abs(near - exact) == min(exact - below, above - exact)


@given(text=st.one_of(st.text(max_size=80), TYPED), unit=UNITS)
@example(text="\ud800", unit="in")
@example(text="1/" + "9" * 58, unit="in")
@example(text="0." + "0" * 50 + "1", unit="mm")
def test_any_text_is_a_length_or_a_sentence(text: str, unit: LengthUnit) -> None:
    answer = _read(text, unit)
    if isinstance(answer, Decimal):
        assert 0 <= answer <= MAX_LENGTH_MM
        assert Fraction(answer) * 10**6 % 1 == 0
    else:
        assert answer.endswith(".")
        assert answer.isprintable()


def _read(text: str, unit: LengthUnit) -> Decimal | str:
    try:
        return parse_length(text, unit=unit)
    except LengthError as error:
        return str(error)


def test_the_callers_decimal_context_changes_nothing() -> None:
    with localcontext() as context:
        context.prec = 3
        assert parse_length("35.015625", unit="in") == Decimal("889.396875")
        assert format_length(Decimal("889.79375"), unit="in") == "35 1/32 in"
        assert format_length(Decimal("889.79375"), unit="mm") == "889.79375 mm"


@given(text=st.one_of(st.text(max_size=80), TYPED), unit=UNITS)
@example(text="²", unit="in")
@example(text="\u202e35\u202c", unit="in")
@example(text="35\0", unit="mm")
@example(text="9" * 10_000, unit="mm")
@example(text="1e999", unit="in")
@example(text="=35", unit="in")
def test_what_was_read_comes_back_from_what_is_shown(text: str, unit: LengthUnit) -> None:
    """Shown in the unit in which it is kept, a length is read again as the same."""
    read = _read(text, unit)
    if isinstance(read, Decimal):
        again = parse_length(f"{read:f} mm", unit="in")
        assert again == read
        shown = format_length(read, unit="mm")
        assert abs(parse_length(shown, unit="in") - read) <= Decimal("0.05")
