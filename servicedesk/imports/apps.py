"""Django app that imports a fleet from files."""

from __future__ import annotations

from django.apps import AppConfig


class ImportsConfig(AppConfig):
    """Files, staging, checking, applying, reverting."""

    name = "servicedesk.imports"
    label = "imports"
