"""Bounds of local days in the company's time zone."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from django.utils import timezone


def start_of(day: date) -> datetime:
    """First moment of a local day; days outside the supported range are clamped."""
    within = min(max(day, date(1900, 1, 1)), date(9999, 12, 30))
    return timezone.make_aware(datetime.combine(within, time.min))


def day_bounds(day: date, *, days: int = 1) -> tuple[datetime, datetime]:
    """First moments of a local day and of the day ``days`` later."""
    return start_of(day), start_of(day + timedelta(days=days))
