"""What was reported, found and done."""

from __future__ import annotations

from django.apps import AppConfig


class CallsConfig(AppConfig):
    """Calls, inspections, findings and work."""

    name = "servicedesk.calls"
    label = "calls"
