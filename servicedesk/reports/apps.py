"""What the records say."""

from __future__ import annotations

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """Figures across the apps, and the fleet's failure log."""

    name = "servicedesk.reports"
    label = "reports"
