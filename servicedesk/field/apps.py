"""Django app of the technician's pages."""

from __future__ import annotations

from django.apps import AppConfig


class FieldConfig(AppConfig):
    """Technician's pages, usable offline."""

    name = "servicedesk.field"
    label = "field"
