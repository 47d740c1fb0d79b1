"""Pages that join several apps."""

from __future__ import annotations

from django.apps import AppConfig


class OfficeConfig(AppConfig):
    """Homes, unit sheet, finishing a visit, bringing files in."""

    name = "servicedesk.office"
    label = "office"
