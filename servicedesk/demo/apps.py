"""The invented company that the demo shows."""

from __future__ import annotations

from django.apps import AppConfig


class DemoConfig(AppConfig):
    """Loading the demo company."""

    name = "servicedesk.demo"
    label = "demo"
