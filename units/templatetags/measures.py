"""Lengths, bearings and counts as people read them."""

from __future__ import annotations

from decimal import Decimal

from django import template
from django.conf import settings

from units.lengths import format_length
from units.models.parts import Kind

register = template.Library()

COMPASS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"]


@register.filter
def measure(value: Decimal | None) -> str:
    """Show stored millimetres in the unit of the settings, or nothing."""
    return "" if value is None else format_length(value, unit=settings.LENGTH_UNIT)


@register.filter
def bearing(value: int | None) -> str:
    """Show degrees from north as the nearest of eight compass points with the degrees."""
    if value is None:
        return ""
    return f"{COMPASS[round(value / 45) % 8]} ({value}°)"


@register.filter
def kind_words(kind: str) -> str:
    """Name a kind of part as people read it."""
    return str(Kind(kind).label)
