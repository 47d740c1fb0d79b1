"""What is planned."""

from __future__ import annotations

from django.apps import AppConfig


class SchedulesConfig(AppConfig):
    """Care rules and what is due, tasks, visits, rounds and calendar feeds."""

    name = "schedules"

    def ready(self) -> None:
        """Install the log filter that takes secrets out of addresses."""
        from schedules.calendars.access_logs import keep_secrets

        keep_secrets()
