"""App config of reports."""

from __future__ import annotations

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """Reports: figures across the apps, and the failure log of the fleet."""

    name = "servicedesk.reports"
    label = "reports"
