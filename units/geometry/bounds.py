"""Checks of the bounds of lengths."""

from __future__ import annotations

from decimal import Decimal


def need_positive(name: str, length_mm: Decimal) -> None:
    """Refuse a length that is not above zero; the name goes into the sentence the user reads."""
    if not length_mm.is_finite() or length_mm <= 0:
        raise ValueError(f"The {name} must be more than nothing, not {length_mm} mm.")


def need_not_negative(name: str, length_mm: Decimal) -> None:
    """Refuse a length below zero; the name goes into the sentence the user reads."""
    if not length_mm.is_finite() or length_mm < 0:
        raise ValueError(f"The {name} must be zero or more, not {length_mm} mm.")
