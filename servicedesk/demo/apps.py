"""Django app that loads the demo company."""

from __future__ import annotations

from django.apps import AppConfig


class DemoConfig(AppConfig):
    """Loading of the demo company."""

    name = "servicedesk.demo"
    label = "demo"
