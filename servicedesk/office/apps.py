"""Pages that join several apps."""

from __future__ import annotations

from django.apps import AppConfig


class OfficeConfig(AppConfig):
    """Homes, unit sheet, finishing a visit, bringing files in."""

    name = "servicedesk.office"
    label = "office"

    def ready(self) -> None:
        """Make the tasks known to whoever asks for them in process."""
        from servicedesk.office import tasks  # noqa: F401  (loading it is the point)
