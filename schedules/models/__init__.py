"""What is planned."""

from .calendars import CalendarLink
from .care import CareDue, CareRule
from .clock import ClockMark
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
    "DayWeather",
    "LeftOverWork",
    "MaintenanceTask",
    "ServiceTime",
    "Visit",
    "VisitTask",
    "WeekPlan",
    "Weekday",
    "WorkTerms",
    "WorkingDay",
]
