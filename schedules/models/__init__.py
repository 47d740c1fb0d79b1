"""What is planned."""

from .calendars import CalendarLink
from .care import CareDue, CareRule
from .clock import ClockMark
from .letters import CustomerAnswer, Letter, LetterKind, LetterText, Wishes
from .rounds import (
    Absence,
    AgreedTime,
    DayWeather,
    LeftOverWork,
    ServiceTime,
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
    "LeftOverWork",
    "Letter",
    "LetterKind",
    "LetterText",
    "MaintenanceTask",
    "ServiceTime",
    "Visit",
    "VisitTask",
    "WeekPlan",
    "Weekday",
    "Wishes",
    "WorkTerms",
    "WorkingDay",
]
