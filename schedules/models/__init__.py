"""What is planned."""

from .calendars import CalendarLink
from .care import CareDue, CareRule
from .clock import ClockMark
from .letters import CustomerAnswer, EmailPreference, Letter, LetterKind, LetterText
from .rounds import (
    Absence,
    AgreedTime,
    DayWeather,
    ServiceTime,
    UnassignedWork,
    Weekday,
    WeekPlan,
    WorkingDay,
    WorkTerms,
)
from .tasks import MaintenanceTask
from .visits import Visit, VisitTask

__all__ = [
    "Absence",
    "AgreedTime",
    "CalendarLink",
    "CareDue",
    "CareRule",
    "ClockMark",
    "CustomerAnswer",
    "DayWeather",
    "EmailPreference",
    "Letter",
    "LetterKind",
    "LetterText",
    "MaintenanceTask",
    "ServiceTime",
    "UnassignedWork",
    "Visit",
    "VisitTask",
    "WeekPlan",
    "Weekday",
    "WorkTerms",
    "WorkingDay",
]
