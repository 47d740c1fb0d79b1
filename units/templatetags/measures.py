"""Template filters for lengths, temperatures, bearings and kinds of part, and a tag for map links."""

from __future__ import annotations

from decimal import Decimal

from django import template
from django.conf import settings

from units.lengths import format_length
from units.models.parts import Kind
from units.temperatures import format_temperature, unit_beside

register = template.Library()

COMPASS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"]


@register.filter
def measure(value: Decimal | None) -> str:
    """Show stored millimeters in the unit of the settings, or nothing."""
    return "" if value is None else format_length(value, unit=settings.LENGTH_UNIT)


@register.filter
def temperature(celsius: Decimal | None) -> str:
    """Show a stored temperature in the unit that goes with the settings' unit of length, or nothing."""
    unit = unit_beside(settings.LENGTH_UNIT)
    return "" if celsius is None else format_temperature(celsius, unit=unit)


@register.filter
def bearing(value: int | None) -> str:
    """Show degrees from north as the nearest of eight compass points with the degrees."""
    if value is None:
        return ""
    return f"{COMPASS[round(value / 45) % 8]} ({value}°)"


@register.filter
def kind_words(kind: str) -> str:
    """Label of a kind of part."""
    return str(Kind(kind).label)


@register.inclusion_tag("components/map_links.html")
def map_links(latitude: Decimal | float | None, longitude: Decimal | float | None) -> dict[str, object]:
    """Map links of a position: a page, the phone's own map (RFC 5870), and the figures to copy."""
    if latitude is None or longitude is None:
        return {}
    place = {"lat": f"{latitude:.6f}", "lon": f"{longitude:.6f}"}
    page = settings.MAP_LINK
    for name, degrees in place.items():
        page = page.replace(f"{{{name}}}", degrees)
    return {**place, "page": page}
