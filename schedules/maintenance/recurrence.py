"""Next due days of recurring maintenance, by an interval in months and a season.

This module is pure: plain dates in, plain dates out, no Django.
"""

from __future__ import annotations

from calendar import month_name, monthrange
from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, date, datetime, timedelta

_A_LEAP_YEAR = 2024


@dataclass(frozen=True, slots=True)
class Season:
    """Yearly season in which maintenance is done, both end days included.

    A season may run over new year (1 November to 28 February). 29 February stands for the last day of
    February, so that it is 28 February in common years. A season until 28 February therefore leaves
    29 February out, one until 29 February never does.

    Raises
    ------
    ValueError
        When either end is a day that no year has, such as 31 April.
    """

    from_month: int
    from_day: int
    until_month: int
    until_day: int

    def __post_init__(self) -> None:
        _check_day_of_year("first", month=self.from_month, day=self.from_day)
        _check_day_of_year("last", month=self.until_month, day=self.until_day)

    @property
    def runs_over_new_year(self) -> bool:
        """Whether the season closes in the year after the one it opens in."""
        return (self.until_month, self.until_day) < (self.from_month, self.from_day)

    def contains(self, day: date) -> bool:
        """Whether a day lies in the season."""
        opens = _day_in_year(day.year, month=self.from_month, day=self.from_day)
        closes = _day_in_year(day.year, month=self.until_month, day=self.until_day)
        if self.runs_over_new_year:
            return day >= opens or day <= closes
        return opens <= day <= closes

    def window(self, year: int) -> tuple[date, date]:
        """First and last day of the season that opens in a year."""
        opens = _day_in_year(year, month=self.from_month, day=self.from_day)
        closes_in = year + 1 if self.runs_over_new_year else year
        return opens, _day_in_year(closes_in, month=self.until_month, day=self.until_day)


def add_months(day: date, months: int) -> date:
    """Add calendar months to a day, clipped to the end of a month that is too short.

    One month after 31 January is 28 February, or 29 February in a leap year. Months may be negative.
    Clipping loses the day for good: a month after that 28 February is 28 March, not 31 March.

    Raises
    ------
    ValueError
        When a datetime is given for the day, or the count leaves the years 1 to 9999.
    """
    if isinstance(day, datetime):
        raise ValueError("Maintenance is counted in days: give a date, not a date with a time of day.")
    year, month_index = divmod(day.year * 12 + day.month - 1 + months, 12)
    if not MINYEAR <= year <= MAXYEAR:
        raise ValueError(
            f"{months} months from {day.isoformat()} lie outside the years 1 to 9999: give fewer months."
        )
    month = month_index + 1
    return date(year, month, min(day.day, monthrange(year, month)[1]))


def next_due(last_done: date, *, interval_months: int, season: Season | None) -> date:
    """Next due day of maintenance: the day it was last done plus the interval, moved into the season.

    Parameters
    ----------
    last_done
        The day the maintenance was last done, or the day the part was fitted when it never was.
    interval_months
        The interval of the maintenance rule in calendar months, at least 1.
    season
        The season the maintenance belongs in; None when any day will do.

    Returns
    -------
    date
        The day the maintenance is due.

    Notes
    -----
    The rule, in three steps:

    1. The raw day is `last_done` plus the interval. Without a season, or inside it, that is the answer.
    2. Outside the season, the raw day moves to the nearest day of the season. When the season before and the
       one after are equally near, the earlier wins: a little early harms less than late.
    3. Maintenance is never due before half of its interval is over, counted in days from `last_done` to the
       raw day. When the nearest day would be, the first day of the next season is taken.

    Worked cases for a yearly rule with the season 1 March to 31 May:

    ============  ===========  =====================  ================  ===========
    last done     raw day      season before ended    next one opens    due
    ============  ===========  =====================  ================  ===========
    10 Feb 2025   10 Feb 2026  31 May 2025, 255 days  1 Mar 2026, 19    1 Mar 2026
    15 Jul 2025   15 Jul 2026  31 May 2026, 45 days   1 Mar 2027, 229   31 May 2026
    20 Nov 2025   20 Nov 2026  31 May 2026, 173 days  1 Mar 2027, 101   1 Mar 2027
    ============  ===========  =====================  ================  ===========

    The half-interval guard, for a rule of every 2 months in the same season: done on 20 May 2026, the raw day
    is 20 July 2026, 61 days on. The nearest day of the season is 31 May 2026, only 11 days after it was last
    done; half of the interval is over on 20 June 2026. So it is due on 1 March 2027.

    Maintenance done later is never due earlier: both the raw day and the half-way day move on, or stay, when
    `last_done` moves on, and so does the nearest day of a fixed set of days. The same holds for a longer
    interval. Neither holds strictly: every day from June into October leads to the same due day here.

    Raises
    ------
    ValueError
        When the interval is shorter than a month, or the due day leaves the calendar.
    """
    if interval_months < 1:
        raise ValueError(
            f"A maintenance interval of {interval_months} months cannot be: give 1 month or more."
        )
    raw = add_months(last_done, interval_months)
    if season is None or season.contains(raw):
        return raw
    if not MINYEAR < raw.year < MAXYEAR - 1:
        raise ValueError(
            f"Maintenance last done on {last_done.isoformat()} has no season left in the calendar."
        )
    half_way = last_done + timedelta(days=((raw - last_done).days + 1) // 2)
    windows = (season.window(year) for year in (raw.year - 1, raw.year, raw.year + 1))
    nearest_of_each = (opens if opens > raw else closes for opens, closes in windows)
    return min(
        (day for day in nearest_of_each if day >= half_way),
        key=lambda day: (abs(day - raw), day),
    )


def preview(last_done: date, *, interval_months: int, season: Season | None, until: date) -> list[date]:
    """List the due days up to and including a day, if each is done on the very day it is due."""
    due: list[date] = []
    day = next_due(last_done, interval_months=interval_months, season=season)
    while day <= until:
        due.append(day)
        day = next_due(day, interval_months=interval_months, season=season)
    return due


def _check_day_of_year(which: str, *, month: int, day: int) -> None:
    """Refuse a day that no year has; the message says what to change."""
    if not 1 <= month <= 12:
        raise ValueError(f"The {which} day of the season is in month {month}: give a month from 1 to 12.")
    length = monthrange(_A_LEAP_YEAR, month)[1]
    if not 1 <= day <= length:
        raise ValueError(
            f"The {which} day of the season is {day} {month_name[month]}: "
            f"{month_name[month]} has the days 1 to {length}."
        )


def _day_in_year(year: int, *, month: int, day: int) -> date:
    """Day of a year, 29 February being the last day of February."""
    return date(year, month, min(day, monthrange(year, month)[1]))
