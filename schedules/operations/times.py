"""Checks of a visit's time: absences, working hours, and how far off the day may be."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from django.utils import timezone

from schedules.models import Absence, Visit
from schedules.visits.shifts import DayOf, days_of
from servicedesk.accounts.models import User
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.dates import clock_time, long_date

FARTHEST = timedelta(days=548)
"""A visit further ahead than a year and a half is a slip of the pen."""
LONGEST_AGO = timedelta(days=366)
"""How long afterward a visit that has taken place can be recorded."""
ALL_THE_SAME = "Plan it all the same"


def check_day(day: date, *, at: datetime) -> None:
    """Refuse a day that can only be a slip: years ahead, or long past."""
    today = timezone.localdate(at)
    if day > today + FARTHEST:
        latest = today + FARTHEST
        why = f"{long_date(day)} is more than a year and a half ahead: check the year."
        raise RuleViolation({"day": [f"{why} The last day that can be planned is {long_date(latest)}."]})
    if day < today - LONGEST_AGO:
        earliest = today - LONGEST_AGO
        why = f"{long_date(day)} is more than a year ago: check the year."
        raise RuleViolation({"day": [f"{why} Visits since {long_date(earliest)} can be recorded."]})


def check_nobody_away(visit: Visit, people: Sequence[User]) -> None:
    """Refuse people who are away on a day of a visit."""
    first, last = visit.local_start.date(), visit.local_end.date()
    away = Absence.objects.meeting(first, last).filter(person__in=people).select_related("person")
    if reasons := [_away(absence) for absence in away]:
        raise RuleViolation({"technicians": reasons})


def check_hours(visit: Visit, people: Sequence[User]) -> None:
    """Refuse a time at which somebody does not work; whoever has a reason plans it all the same."""
    if visit.local_start.date() == visit.local_end.date():
        days = days_of(people, visit.local_start.date(), days=1)
        reasons = [why for day in days if (why := _outside(day, visit))]
    else:
        reasons = ["The visit goes on past midnight."] if people else []
    if reasons:
        mend = f"Choose another time or somebody else, or check “{ALL_THE_SAME}”."
        raise RuleViolation({"all_the_same": [f"{why} {mend}" for why in reasons]})


def _away(absence: Absence) -> str:
    last = f" to {long_date(absence.last_on)}" if absence.last_on != absence.first_on else ""
    days = f"from {long_date(absence.first_on)}{last}" if last else f"on {long_date(absence.first_on)}"
    note = f" ({absence.note})" if absence.note else ""
    return f"{absence.person.name} is away {days}{note}: choose another day or somebody else."


def _outside(day: DayOf, visit: Visit) -> str:
    """Reason in words why a visit is outside a person's hours; "" where it is not."""
    name, weekday = day.person.name, f"{day.on:%A}s"
    if day.begins is None or day.ends is None:
        where = "is in the shop" if day.why_not == "in the shop" else "does not work"
        return f"{name} {where} on {weekday}."
    begins, ends = visit.local_start.time(), visit.local_end.time()
    if day.begins <= begins and ends <= day.ends:
        return ""
    hours = f"{name} works on {weekday} from {clock_time(day.begins)} to {clock_time(day.ends)}"
    return f"{hours}, and this visit is from {clock_time(begins)} to {clock_time(ends)}."
