"""The technician's pages."""

from __future__ import annotations

from django.apps import AppConfig


class FieldConfig(AppConfig):
    """What a technician needs at the porch."""

    name = "servicedesk.field"
    label = "field"
