"""Conversion between local wall times and aware moments.

This module is pure: a day, a time and the name of a zone in, an aware moment out, no Django.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from servicedesk.core.values.dates import clock_time, long_date


def moment_of(day: date, at: time, *, zone: str) -> datetime:
    """Convert a local day and time in a zone to a moment in UTC.

    Where the clocks go back an hour comes twice; the first of the two is meant.

    Raises
    ------
    ValueError
        When the clocks go forward over that time, so that no clock ever shows it.
    """
    local = datetime.combine(day, at.replace(second=0, microsecond=0), tzinfo=ZoneInfo(zone))
    moment = local.astimezone(UTC)
    shown = moment.astimezone(ZoneInfo(zone))
    if shown.replace(tzinfo=None) != local.replace(tzinfo=None):
        raise ValueError(
            f"{clock_time(at)} does not exist on {long_date(day)}: the clocks go forward over it. "
            f"Choose another time, such as {clock_time(shown)}."
        )
    return moment


def wall_time(moment: datetime, *, zone: str) -> datetime:
    """Convert a moment to the naive local time of a zone."""
    return moment.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
