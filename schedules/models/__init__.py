"""What is planned."""

from .calendars import CalendarLink
from .care import CareDue, CareRule
from .clock import ClockMark
from .tasks import MaintenanceTask
from .visits import Visit, VisitTask

__all__ = [
    "CalendarLink",
    "CareDue",
    "CareRule",
    "ClockMark",
    "MaintenanceTask",
    "Visit",
    "VisitTask",
]
