"""Models of maintenance, tasks, visits, week plans, calendar links and notifications."""

from .calendars import CalendarLink
from .clock import ClockMark
from .maintenance import MaintenanceRule, NextDue
from .notifications import CustomerAnswer, EmailPreference, Notification, NotificationKind, NotificationText
from .plans import (
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
    "ClockMark",
    "CustomerAnswer",
    "DayWeather",
    "EmailPreference",
    "MaintenanceRule",
    "MaintenanceTask",
    "NextDue",
    "Notification",
    "NotificationKind",
    "NotificationText",
    "ServiceTime",
    "UnassignedWork",
    "Visit",
    "VisitTask",
    "WeekPlan",
    "Weekday",
    "WorkTerms",
    "WorkingDay",
]
