"""Django app configuration of schedules."""

from __future__ import annotations

from django.apps import AppConfig


class SchedulesConfig(AppConfig):
    """Maintenance rules and next dues, tasks, visits, routes, calendar feeds and notifications."""

    name = "schedules"

    def ready(self) -> None:
        """Install the log filter that removes secrets from URLs."""
        from schedules.calendars.access_logs import keep_secrets

        keep_secrets()
