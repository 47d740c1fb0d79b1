"""Operations on work terms, absences, agreed times and the weather: the inputs of week planning."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time
from decimal import Decimal
from typing import NamedTuple

from django.utils import timezone

from schedules.models import Absence, AgreedTime, DayWeather, WorkingDay, WorkTerms
from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import clock_time
from units.operations import save_change, save_new


class Hours(NamedTuple):
    """Working hours of one weekday, and where they are spent."""

    begins: time
    ends: time
    where: str


def set_terms(terms: WorkTerms, hours: Mapping[int, Hours], *, by: User | None, at: datetime) -> WorkTerms:
    """Store the work terms and hours of a person; weekdays without hours are free."""
    with atomic_operation():
        if terms.pk is None:
            save_new(terms, action="set", by=by, at=at)
        else:
            save_change(terms, action="changed", by=by, at=at)
        WorkingDay.objects.filter(person=terms.person).delete()
        days = [
            WorkingDay(person=terms.person, weekday=number, **day_hours._asdict())
            for number, day_hours in hours.items()
        ]
        for day in days:
            day.full_clean()
        WorkingDay.objects.bulk_create(days)
        words = ", ".join(
            f"{day.get_weekday_display()} {clock_time(day.begins)}–{clock_time(day.ends)}"
            f" {day.get_where_display()}"
            for day in days
        )
        write_change(terms, action=f"hours: {words or 'none'}"[:200], by=by, at=at)
    return terms


def add_absence(absence: Absence, *, by: User | None, at: datetime) -> Absence:
    """Add an absence of a person; the same twice is stored once."""
    if absence.last_on < timezone.localdate(at):
        raise RuleViolation({"last_on": ["These days are over: give days to come."]})
    with atomic_operation():
        User.objects.select_for_update(no_key=True).filter(pk=absence.person_id).first()
        days = Absence.objects.filter(
            person=absence.person_id, first_on=absence.first_on, last_on=absence.last_on, note=absence.note
        )
        return days.first() or save_new(absence, action="added", by=by, at=at)


def remove_absence(absence: Absence, *, by: User | None, at: datetime) -> None:
    """Remove an absence."""
    with atomic_operation():
        write_change(absence, action=f"removed: {absence}", by=by, at=at)
        absence.delete()


def agree_on_time(agreed: AgreedTime, *, by: User | None, at: datetime) -> AgreedTime:
    """Add a time window in which a visit to a site may begin."""
    if agreed.on < timezone.localdate(at):
        raise RuleViolation({"on": ["That day is over: give one to come."]})
    with atomic_operation():
        return save_new(agreed, action="agreed", by=by, at=at)


def drop_agreed_time(agreed: AgreedTime, *, by: User | None, at: datetime) -> None:
    """Remove an agreed time."""
    with atomic_operation():
        write_change(agreed, action=f"removed: {agreed}", by=by, at=at)
        agreed.delete()


def set_weather(
    readings: Mapping[date, tuple[Decimal | None, Decimal | None]], *, by: User | None, at: datetime
) -> None:
    """Store the highest temperature of days in °C and their heat index in °F; two Nones delete a day."""
    with atomic_operation():
        for on, (warmest, heat) in readings.items():
            if warmest is None and heat is None:
                DayWeather.objects.filter(on=on).delete()
                continue
            noted = {"warmest_c": warmest, "heat_index_f": heat}
            weather, _ = DayWeather.objects.update_or_create(on=on, defaults=noted)
            write_change(weather, action=f"noted: {weather}", by=by, at=at)
