"""Template filter for durations."""

from __future__ import annotations

from django import template

from schedules import words

register = template.Library()


@register.filter
def span(minutes: int | None) -> str:
    """Show minutes as 45 min, 2 h or 1 h 25 min."""
    return words.span(minutes or 0)
