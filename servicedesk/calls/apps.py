"""Django app of calls, inspections, findings and work done."""

from __future__ import annotations

from django.apps import AppConfig


class CallsConfig(AppConfig):
    """Calls, inspections, findings and work done."""

    name = "servicedesk.calls"
    label = "calls"
