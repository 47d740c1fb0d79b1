"""Template filters that format the numbers of figures."""

from __future__ import annotations

from math import isfinite
from typing import Any

from django import template

from schedules.words import span
from servicedesk.reports import words

register = template.Library()


@register.filter
def amount(value: float | None) -> str:
    """Format a number with its significant digits, or nothing."""
    return "" if value is None else words.amount(value)


@register.filter
def chance(value: float) -> str:
    """Format a p-value."""
    return "less than 1 in 1,000" if value < 0.001 else f"{100 * value:.2g} %"


@register.filter
def hundredths(value: float) -> str:
    """Format a number with two decimals, for ratios and shapes near one."""
    return f"{value:.2f}" if isfinite(value) else words.ENDLESS


@register.filter
def percent(value: float | None) -> str:
    """Format a share in percent, or nothing."""
    return "" if value is None else words.percent(value)


@register.filter
def whole(value: int | None) -> str:
    """Format a count with commas at the thousands, or nothing."""
    return "" if value is None else f"{value:,}"


@register.filter
def worktime(minutes: int) -> str:
    """Format minutes of work as hours and minutes."""
    return span(minutes)


@register.filter
def age(days: float | None) -> str:
    """Format an age in days as years, or nothing."""
    return "" if days is None else words.years(days)


@register.filter
def times(value: float | None, factor: float | None) -> float | None:
    """Product of two numbers, None where one is not known."""
    return None if value is None or factor is None else value * factor


@register.filter
def times_words(value: float) -> str:
    """Format a ratio as "times as often"."""
    return f"{words.amount(value)} times as often" if isfinite(value) else "all failures are its own"


@register.filter
def first_of(estimate: tuple[Any, ...] | None) -> Any:
    """Value of an estimate with limits."""
    return estimate[0] if estimate else None


@register.filter
def low_of(estimate: tuple[Any, ...] | None) -> Any:
    """Lower limit of an estimate with limits."""
    return estimate[1] if estimate else None


@register.filter
def high_of(estimate: tuple[Any, ...] | None) -> Any:
    """Upper limit of an estimate with limits."""
    return estimate[2] if estimate else None
