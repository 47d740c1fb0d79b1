"""Django app of what every other app builds on."""

from __future__ import annotations

from django.apps import AppConfig


class CoreConfig(AppConfig):
    """Rules and refusals, history, idempotency keys, version of the records, logs."""

    name = "servicedesk.core"
    label = "core"

    def ready(self) -> None:
        """Load the task runner on startup, not on package import, so that pure modules stay free of Django.

        The system checks of settings register themselves too.
        """
        from servicedesk import celery  # noqa: F401  (loading it is the point)
        from servicedesk.core.database import older_databases  # noqa: F401
        from servicedesk.core.values import mail_addresses  # noqa: F401
