"""What is planned."""

from __future__ import annotations

from django.apps import AppConfig


class SchedulesConfig(AppConfig):
    """Care rules and what is due, tasks, visits, rounds and calendar feeds."""

    name = "schedules"

    def ready(self) -> None:
        """Make the tasks known to whoever asks for them in process, and blot secrets out of the logs."""
        from schedules import tasks  # noqa: F401  (loading it is the point)
        from schedules.access_logs import keep_secrets

        keep_secrets()
