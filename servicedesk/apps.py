"""Start-up of the project as a whole."""

from __future__ import annotations

from django.apps import AppConfig


class ServicedeskConfig(AppConfig):
    """The desk itself: static files, and the task runner that every app's tasks join."""

    name = "servicedesk"
    verbose_name = "service desk"

    def ready(self) -> None:
        """Load the task runner here, not on package import, so that pure modules stay free of Django.

        The checks of settings register themselves too.
        """
        from servicedesk import celery, mail_addresses, older_databases  # noqa: F401  (loading them is the point)
