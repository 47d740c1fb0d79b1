"""Parser and formatter of temperatures: Fahrenheit where lengths are inches, else Celsius.

They are stored in degrees Celsius with one decimal. This module imports no Django.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final, Literal

TemperatureUnit = Literal["F", "C"]
COLDEST, HOTTEST = Decimal(-40), Decimal(50)
_TYPED: Final = re.compile(r"([+\-\u2212]?\d{1,3}(?:\.\d{1,2})?)\s*°?\s*([CF]?)", re.IGNORECASE)


class TemperatureError(ValueError):
    """What was typed is no temperature; the text is the sentence the user reads."""


def unit_beside(length_unit: str) -> TemperatureUnit:
    """Unit of temperature that goes with a unit of length."""
    return "F" if length_unit == "in" else "C"


def parse_temperature(text: str, *, unit: TemperatureUnit) -> Decimal:
    """Parse a temperature, such as 55, 55 °F or 13 C, into Celsius; a bare number is in ``unit``."""
    match = _TYPED.fullmatch(text.strip())
    if match is None:
        raise TemperatureError(f"“{text.strip()[:40]}” is no temperature: write it like 55 or 13 °C.")
    number = Decimal(match[1].replace("\u2212", "-"))
    celsius = number if (match[2].upper() or unit) == "C" else (number - 32) / Decimal("1.8")
    if not COLDEST <= celsius <= HOTTEST:
        low, high = (format_temperature(limit, unit=unit) for limit in (COLDEST, HOTTEST))
        raise TemperatureError(
            f"{match[0].strip()} is no weather for fitting: a bare number is in °{unit}, and days run from "
            f"{low} to {high}."
        )
    return round(celsius, 1)


def format_temperature(celsius: Decimal, *, unit: TemperatureUnit) -> str:
    """Format a stored temperature in whole degrees Fahrenheit, or in degrees Celsius as stored."""
    if unit == "F":
        return f"{round(celsius * Decimal('1.8') + 32)} °F"
    return f"{celsius.normalize():f} °C"
