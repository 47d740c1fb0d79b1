"""Formatting of numbers in words.

This module imports no Django.
"""

from __future__ import annotations

from math import floor, isfinite, log10

from servicedesk.core.values.words import count

ENDLESS = "no limit"


def amount(value: float) -> str:
    """Format a number with its significant digits: 1,234, 41.2, 7.3, 0.73, 0.01."""
    if value == 0:
        return "0"
    if not isfinite(value):
        return ENDLESS
    value = float(f"{value:.9g}")  # the last digits differ between machines, and 3.75 must not be 3.7 on some
    if value >= 99.95:
        return f"{value:,.0f}"
    if value >= 0.995:
        return f"{value:.1f}".removesuffix(".0") if value >= 9.95 else f"{value:.1f}"
    if value >= 0.095:
        return f"{value:.2f}"
    return f"{value:.{-floor(log10(value))}f}"


def percent(share: float) -> str:
    """Format a share in percent."""
    return f"{100 * share:.0f} %"


def years(days: float) -> str:
    """Format an age in days as years."""
    if not isfinite(days):
        return ENDLESS
    value = days / 365.25
    return count(value, "year")
