"""A week of visits, by day and by technician."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.utils import timezone

from schedules.models import Visit

NOBODY = "nobody named yet"


@dataclass(frozen=True)
class Day:
    """One day of the week and who is where on it."""

    date: date
    people: list[tuple[str, list[Visit]]]


def monday_of(day: date) -> date:
    """Give the day on which a day's week begins (ISO 8601)."""
    return day - timedelta(days=day.weekday())


def bounds(first: date, *, days: int) -> tuple[datetime, datetime]:
    """Give the moments at which a run of days begins and ends, in the company's zone."""
    start, end = (datetime.combine(day, time.min) for day in (first, first + timedelta(days=days)))
    return timezone.make_aware(start), timezone.make_aware(end)


def days_of_week(monday: date, visits: Iterable[Visit]) -> list[Day]:
    """Lay visits out over a week; one that two technicians go on stands with both."""
    found: defaultdict[date, defaultdict[str, list[Visit]]] = defaultdict(lambda: defaultdict(list))
    for visit in visits:
        day = timezone.localdate(visit.starts_at)
        for name in [person.name for person in visit.technicians.all()] or [NOBODY]:
            found[day][name].append(visit)
    dates = [monday + timedelta(days=number) for number in range(7)]
    return [
        Day(day, sorted(found[day].items(), key=lambda item: (item[0] != NOBODY, item[0]))) for day in dates
    ]
