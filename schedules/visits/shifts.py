"""Shifts of people in a run of days: hours, absences, shop days, and where one sets off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta

from django.conf import settings

from schedules.models import Absence, Weekday, WorkingDay, WorkTerms
from schedules.plans.weeks import monday_of
from servicedesk.accounts.models import Role, User

WORKWEEK = frozenset(set(Weekday) - {Weekday.SATURDAY, Weekday.SUNDAY})
BEGINS, ENDS = time(8), time(16, 30)

Position = tuple[float, float]


@dataclass(frozen=True)
class DayOf:
    """One person's day: when they work, or why not."""

    person: User
    on: date
    begins: time | None
    ends: time | None
    why_not: str = ""

    @property
    def key(self) -> tuple[int, date]:
        """The person and the date, which identify the day."""
        return self.person.pk, self.on


def _usual(person: User) -> WorkTerms:
    """Default work terms of a person without any: technicians go out, others stay in the office."""
    return WorkTerms(person=person, goes_out=person.role == Role.TECHNICIAN)


def people_out(people: Sequence[User]) -> dict[int, WorkTerms]:
    """Work terms of those who go on routes, by person."""
    own = {terms.person_id: terms for terms in WorkTerms.objects.filter(person__in=people)}
    by_person = {person.pk: own.get(person.pk) or _usual(person) for person in people}
    return {pk: terms for pk, terms in by_person.items() if terms.goes_out}


def days_of(people: Sequence[User], first: date, *, days: int = 7) -> list[DayOf]:
    """Days of some people, in the order of people and dates."""
    dates = [first + timedelta(days=number) for number in range(days)]
    hours: dict[int, dict[int, WorkingDay]] = {}
    for row in WorkingDay.objects.filter(person__in=people):
        hours.setdefault(row.person_id, {})[row.weekday] = row
    away: dict[int, list[Absence]] = {}
    for absence in Absence.objects.meeting(dates[0], dates[-1]).filter(person__in=people):
        away.setdefault(absence.person_id, []).append(absence)
    return [
        _day(person, day, hours.get(person.pk), away.get(person.pk, [])) for person in people for day in dates
    ]


def week_ahead(today: date) -> date:
    """Monday of the week in which the next working day lies, today included.

    On a Sunday that is the week to come, unless somebody goes on routes on Sundays.
    """
    people = people_out(list(User.objects.technicians()))
    own: dict[int, set[int]] = {}
    for row in WorkingDay.objects.filter(person__in=people):
        own.setdefault(row.person_id, set()).update(
            [row.weekday] if row.where == WorkingDay.Where.ROAD else []
        )
    worked = {weekday for person in people for weekday in own.get(person, WORKWEEK)} or WORKWEEK
    dates = (today + timedelta(days=number) for number in range(7))
    return monday_of(next(day for day in dates if day.weekday() in worked))


def _day(person: User, day: date, hours: dict[int, WorkingDay] | None, away: Sequence[Absence]) -> DayOf:
    absent = next((each for each in away if each.first_on <= day <= each.last_on), None)
    if absent is not None:
        return DayOf(person, day, None, None, f"away{f', {absent.note}' if absent.note else ''}")
    if hours is None:
        if day.weekday() in WORKWEEK:
            return DayOf(person, day, BEGINS, ENDS)
        return DayOf(person, day, None, None, "off")
    row = hours.get(day.weekday())
    if row is None:
        return DayOf(person, day, None, None, "off")
    if row.where == WorkingDay.Where.SHOP:
        return DayOf(person, day, None, None, "in the shop")
    return DayOf(person, day, row.begins, row.ends)


def base_position() -> Position | None:
    """Position of the company, where routes set off by default; None where it is not set."""
    if settings.COMPANY_LATITUDE is None or settings.COMPANY_LONGITUDE is None:
        return None
    return settings.COMPANY_LATITUDE, settings.COMPANY_LONGITUDE
