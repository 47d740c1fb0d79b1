"""Times as they are agreed on the telephone, and the moments they stand for.

This module is pure: a day, a time and the name of a zone in, an aware moment out, no Django.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from servicedesk.core.values.dates import clock_time, long_date


def moment_of(day: date, at: time, *, zone: str) -> datetime:
    """Give the moment that a wall clock in a zone shows as this day and time.

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
    """Give what a wall clock in a zone shows at a moment, without the zone, as it is agreed on."""
    return moment.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
