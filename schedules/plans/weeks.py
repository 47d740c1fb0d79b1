"""Weeks from Monday (ISO 8601), and visits grouped by their days."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from django.utils import timezone

from schedules.models import Visit

NOBODY = "nobody named yet"


@dataclass(frozen=True)
class Day:
    """One day of the week and its visits in order, each with the names of those who go."""

    date: date
    visits: list[tuple[Visit, str]]


def monday_of(day: date) -> date:
    """Monday of a day's week (ISO 8601)."""
    return day - timedelta(days=day.weekday())


def days_of_week(monday: date, visits: Iterable[Visit]) -> list[Day]:
    """Group visits by the days of a week, in the order in which they begin."""
    by_date: defaultdict[date, list[tuple[Visit, str]]] = defaultdict(list)
    for visit in visits:
        names = sorted(person.name for person in visit.technicians.all())
        by_date[timezone.localdate(visit.starts_at)].append((visit, ", ".join(names) or NOBODY))
    dates = [monday + timedelta(days=number) for number in range(7)]
    return [Day(day, sorted(by_date[day], key=lambda row: (row[0].starts_at, row[1]))) for day in dates]
