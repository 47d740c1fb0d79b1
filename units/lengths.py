"""Parser and formatter of lengths in inches and millimeters, exact throughout.

Every length in the register is an exact ``Decimal`` in millimeters. One inch is 25.4 mm by definition, so a
sixty-fourth of an inch is 0.396875 mm and six decimals hold every mark of an inch tape without rounding.

This module imports no Django.

References
----------
NIST Special Publication 811, appendix B: 1 in = 25.4 mm exactly, 1 ft = 304.8 mm exactly (from memory).
"""

from __future__ import annotations

import re
import unicodedata
from decimal import Context, Decimal
from fractions import Fraction
from math import ceil, floor
from typing import Final, Literal

LengthUnit = Literal["in", "mm"]
Rounding = Literal["nearest", "down", "up"]

MM_PER_INCH: Final = Decimal("25.4")
MAX_LENGTH_MM: Final = Decimal("9999")

# Long enough for anything a person types, short enough that the arithmetic below stays exact.
_MAX_TYPED: Final = 60
_EXACT: Final = Context(prec=4 * _MAX_TYPED)
_FINEST_MM: Final = Decimal("0.000001")
_TAPE: Final = (2, 4, 8, 16, 32, 64)

_FACTORS: Final = {
    "in": MM_PER_INCH,
    "ft": 12 * MM_PER_INCH,
    "mm": Decimal(1),
    "cm": Decimal(10),
    "m": Decimal(1000),
}
_SPELLINGS: Final = {
    **dict.fromkeys(('"', "in", "inch", "inches"), "in"),
    **dict.fromkeys(("'", "ft", "foot", "feet"), "ft"),
    **dict.fromkeys(("mm", "millimeter", "millimeters", "millimetre", "millimetres"), "mm"),
    **dict.fromkeys(("cm", "centimeter", "centimeters", "centimetre", "centimetres"), "cm"),
    **dict.fromkeys(("m", "meter", "meters", "metre", "metres"), "m"),
}
# Phones and word processors put typographic marks where a keyboard has the plain one. Written as code points
# because several of them cannot be told apart on screen.
_PLAIN_MARKS: Final = str.maketrans(
    {
        **dict.fromkeys("\u2032\u2019\u2018\u02b9\u00b4`", "'"),
        **dict.fromkeys("\u2033\u201d\u201c\u02ba", '"'),
        **dict.fromkeys("\u2044\u2215", "/"),
        **dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212", "-"),
        "\uff0c": ",",
    }
)
_PART: Final = re.compile(r"([0-9./ -]*[0-9.])\s*([a-z]+|['\"])?\s*", re.ASCII)
_DECIMAL: Final = re.compile(r"[0-9]+\.?[0-9]*|\.[0-9]+", re.ASCII)
_FRACTION: Final = re.compile(r"(?:([0-9]+)(?: |- ?))?([0-9]+) ?/ ?([0-9]+)", re.ASCII)


class LengthError(ValueError):
    """What was typed is not a length; the text is the sentence the user reads."""


def parse_length(text: str, *, unit: LengthUnit) -> Decimal:
    """Parse a length as people write it into exact millimeters.

    Parameters
    ----------
    text
        ``35 7/8``, ``35-7/8"``, ``2' 11 7/8"``, ``2 ft 11 in``, ``911 mm``, ``91.1 cm``, ``0.911 m``,
        decimals, and the same with typographic fractions, primes and slashes.
    unit
        What a number without a unit is meant in.

    Returns
    -------
    Decimal
        Millimeters from 0 to 9999, at most six decimals, without trailing zeros.

    Raises
    ------
    LengthError
        If the text is no length, with what is wrong and how to write it.

    Notes
    -----
    Nothing is guessed: a decimal comma, two units, a fraction of a millimeter or a fraction no tape carries
    (thirds, tenths) is refused rather than read in the likeliest way, because a panel is cut from the answer.
    """
    if unit not in ("in", "mm"):
        raise ValueError(f"A length is read in 'in' or 'mm', not in {unit!r}.")
    try:
        value = _millimetres(_plain_text(text), unit)
    except LengthError as error:
        raise LengthError(f"{_quoted(text)} {error}") from None
    return _without_trailing_zeros(value)


def format_length(mm: Decimal, *, unit: LengthUnit, rounding: Rounding = "nearest") -> str:
    """Format a length as a tape shows it, such as ``35 7/8 in`` or ``911 mm``.

    Parameters
    ----------
    mm
        Millimeters, zero or more.
    unit
        The unit to write in.
    rounding
        ``"down"`` for a size to order, ``"up"`` for a clearance to keep, else ``"nearest"``.

    Notes
    -----
    Inches go to the sixteenth. A length that is an exact thirty-second is shown as that, whichever way the
    rounding: it was typed so. Halfway between two sixteenths lies exactly a thirty-second, so "nearest" never
    meets a tie. Millimeters are shown as stored; a computed value finer than a millionth goes to the tenth.
    """
    if not mm.is_finite() or mm < 0:
        raise ValueError(f"A length to show must be zero or more, not {mm}.")
    if unit == "mm":
        return f"{_shown_millimetres(Fraction(mm), rounding)} mm"
    if unit != "in":
        raise ValueError(f"A length is shown in 'in' or 'mm', not in {unit!r}.")
    thirty_seconds = Fraction(mm) / Fraction(MM_PER_INCH) * 32
    if thirty_seconds.denominator != 1:
        thirty_seconds = Fraction(2 * _rounded(thirty_seconds / 2, rounding))
    whole, rest = divmod(thirty_seconds / 32, 1)
    words = [str(whole)] if whole or not rest else []
    return " ".join([*words, *([str(rest)] if rest else []), "in"])


def _plain_text(text: str) -> str:
    """Replace typographic fractions, primes, dashes and spaces by the plain characters they stand for."""
    if len(text) > _MAX_TYPED:
        raise LengthError("is too long for a length. Type one number and its unit, such as 35 7/8 in.")
    spread = "".join(_plain_fraction(character) for character in text)
    plain = " ".join(spread.translate(_PLAIN_MARKS).lower().split()).replace("''", '"')
    # A period after an abbreviation ("in.") is no decimal point.
    return re.sub(r"(?<=[a-z])\.(?![0-9])", "", plain)


def _plain_fraction(character: str) -> str:
    """Write a one-character fraction out, kept apart from a whole number standing right before it."""
    kind, *code_points = unicodedata.decomposition(character).split() or [""]
    if kind != "<fraction>":
        return character
    return " " + "".join(chr(int(point, 16)) for point in code_points)


def _millimetres(text: str, unit: LengthUnit) -> Decimal:
    """Sum of the parts of a text in millimeters; the caller adds the typed text to the errors."""
    how = _example(unit)
    _refuse_wrong_signs(text, how)
    parts = _parts(text, how)
    if len(parts) == 1:
        (number, name), *_ = parts
        value = _times(_amount(number, name or unit, how), _FACTORS[name or unit])
    else:
        value = _feet_and_inches(parts)
    if value > MAX_LENGTH_MM:
        raise LengthError(
            f"is more than {MAX_LENGTH_MM} mm ({_inches_limit()}). Check the number and its unit."
        )
    if value != value.quantize(_FINEST_MM, context=_EXACT):
        raise LengthError("has more decimals than a tape can show. Leave out all after the fourth.")
    return value


def _refuse_wrong_signs(text: str, how: str) -> None:
    """Refuse the usual slips by name before the text is parsed."""
    if not text:
        raise LengthError(f"is empty. {how}")
    if "," in text:
        raise LengthError(
            "has a comma. Type a point for decimals, as in 35.5, and nothing between thousands."
        )
    if re.match(r"- ?[0-9.]", text):
        raise LengthError("is negative. A length is zero or more: leave out the minus sign.")


def _parts(text: str, how: str) -> list[tuple[str, str | None]]:
    """Split the text into numbers, each with the unit behind it (None if there is none)."""
    parts: list[tuple[str, str | None]] = []
    at = 0
    while at < len(text):
        match = _PART.match(text, at)
        if match is None:
            raise LengthError(f"is not a length. {how}")
        number, spelling = match.groups()
        if spelling is not None and spelling not in _SPELLINGS:
            raise LengthError(f'has a unit unknown here: "{spelling}". Use in, ft, mm, cm or m.')
        parts.append((number.strip(), _SPELLINGS[spelling] if spelling else None))
        at = match.end()
    return parts


def _feet_and_inches(parts: list[tuple[str, str | None]]) -> Decimal:
    """Sum of feet and inches, the only two units that go together."""
    names = [name for _, name in parts]
    if names not in (["ft", "in"], ["ft", None]):
        raise LengthError("has more than one unit. Use one, or feet and then inches, as in 2' 11 7/8\".")
    feet, inches = parts[0][0], parts[1][0].lstrip("- ")
    if not feet.isdigit():
        raise LengthError("has part feet before inches. Write whole feet and then inches, as in 2' 6\".")
    over = _amount(inches, "in", "Write feet and then inches, as in 2' 11 7/8\".")
    if over >= 12:
        raise LengthError("has 12 or more inches after the feet. Add them to the feet, as in 3' 1\".")
    return _EXACT.add(_times(Decimal(feet), _FACTORS["ft"]), _times(over, _FACTORS["in"]))


def _amount(number: str, name: str, how: str) -> Decimal:
    """Parse one number, whole, decimal or with a tape's fraction."""
    if _DECIMAL.fullmatch(number):
        return Decimal(number)
    match = _FRACTION.fullmatch(number)
    if match is None and " -" in number:
        raise LengthError("could be a subtraction. Write the fraction right after the number, as in 35 7/8.")
    if match is None:
        raise LengthError(f"is not one number. {how}")
    whole, top, bottom = (int(digits or 0) for digits in match.groups())
    if name not in ("in", "ft"):
        raise LengthError(
            "has a fraction of a metric unit. Use decimals, as in 911.2 mm, or inches: 35 7/8 in."
        )
    if bottom == 0:
        raise LengthError("divides by zero. Write the fraction with 2, 4, 8, 16, 32 or 64 below, as in 7/8.")
    if bottom not in _TAPE:
        raise LengthError(
            "has a fraction no tape shows. Write it with 2, 4, 8, 16, 32 or 64 below, as in 7/8."
        )
    if match[1] is not None and top >= bottom:
        raise LengthError("has a fraction of 1 or more after a whole number. Write 36 1/8 for 35 and 9/8.")
    return _EXACT.add(Decimal(whole), _EXACT.divide(Decimal(top), Decimal(bottom)))


def _times(amount: Decimal, factor: Decimal) -> Decimal:
    return _EXACT.multiply(amount, factor)


def _shown_millimetres(mm: Fraction, rounding: Rounding) -> Decimal:
    """Round to a tenth what is finer than a record can store; leave the rest as it is."""
    steps = 1_000_000 if (mm * 1_000_000).denominator == 1 else 10
    return _without_trailing_zeros(_EXACT.divide(Decimal(_rounded(mm * steps, rounding)), Decimal(steps)))


def _rounded(steps: Fraction, rounding: Rounding) -> int:
    if rounding == "down":
        return floor(steps)
    if rounding == "up":
        return ceil(steps)
    if rounding == "nearest":
        return round(steps)
    raise ValueError(f"Lengths are rounded 'nearest', 'down' or 'up', not {rounding!r}.")


def _without_trailing_zeros(value: Decimal) -> Decimal:
    """Drop zeros behind the point only, so that 910 stays 910 and never shows as 9.1E+2."""
    text = f"{value:f}"
    return Decimal(text.rstrip("0").rstrip(".") if "." in text else text)


def _quoted(text: str) -> str:
    shown = "".join(character if character.isprintable() else " " for character in text).strip()
    if not shown:
        return "What was typed"
    return f"\u201c{shown[:30]}\u2026\u201d" if len(shown) > 30 else f"\u201c{shown}\u201d"


def _example(unit: LengthUnit) -> str:
    if unit == "mm":
        return "Write it like 911, 911.2 mm or 35 7/8 in."
    return "Write it like 35 7/8, 2' 11 7/8\" or 911 mm."


def _inches_limit() -> str:
    return format_length(MAX_LENGTH_MM, unit="in", rounding="down")
