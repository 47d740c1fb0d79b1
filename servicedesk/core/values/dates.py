"""Local days: when they begin, and how they and times of day are written.

The order is that of the setting LOCALE (`servicedesk.formats`); the examples are American.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from django.utils import timezone
from django.utils.formats import date_format, time_format


def start_of(day: date) -> datetime:
    """First moment of a local day; days outside the supported range are clamped."""
    within = min(max(day, date(1900, 1, 1)), date(9999, 12, 30))
    return timezone.make_aware(datetime.combine(within, time.min))


def day_bounds(day: date, *, days: int = 1) -> tuple[datetime, datetime]:
    """First moments of a local day and of the day ``days`` later."""
    return start_of(day), start_of(day + timedelta(days=days))


def long_date(day: date) -> str:
    """May 8, 2026."""
    return date_format(day, "DATE_FORMAT")


def short_date(day: date) -> str:
    """May 8, 2026, the month in three letters."""
    return date_format(day, "SHORT_DATE_FORMAT")


def month_day(day: date) -> str:
    """May 8."""
    return date_format(day, "MONTH_DAY_FORMAT")


def weekday_date(day: date) -> str:
    """Friday, May 8."""
    return date_format(day, "WEEKDAY_FORMAT")


def full_date(day: date) -> str:
    """Friday, May 8, 2026."""
    return date_format(day, "FULL_DATE_FORMAT")


def clock_time(moment: datetime | time) -> str:
    """8:25 AM."""
    return time_format(moment, "TIME_FORMAT")


def date_time(moment: datetime) -> str:
    """May 8, 2026, 8:25 AM."""
    return date_format(moment, "DATETIME_FORMAT")


def short_moment(moment: datetime) -> str:
    """May 8, 8:25 AM, the month in three letters."""
    return date_format(moment, "SHORT_MONTH_DAY_TIME_FORMAT")


def month_day_time(moment: datetime) -> str:
    """May 8, 8:25 AM."""
    return date_format(moment, "MONTH_DAY_TIME_FORMAT")


def weekday_time(moment: datetime) -> str:
    """Friday, May 8, 8:25 AM."""
    return date_format(moment, "WEEKDAY_TIME_FORMAT")


def year_month(day: date) -> str:
    """May 2026."""
    return date_format(day, "YEAR_MONTH_FORMAT")
