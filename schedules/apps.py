"""What is planned."""

from __future__ import annotations

from django.apps import AppConfig


class SchedulesConfig(AppConfig):
    """Care rules and what is due, tasks, visits, rounds and calendar feeds."""

    name = "schedules"

    def ready(self) -> None:
        """Blot secrets out of the logs."""
        from schedules.calendars.access_logs import keep_secrets

        keep_secrets()
