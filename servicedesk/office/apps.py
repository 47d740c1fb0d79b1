"""Django app of pages that join several apps."""

from __future__ import annotations

from django.apps import AppConfig


class OfficeConfig(AppConfig):
    """Home pages, sheets of unit and site, finishing a visit, health checks."""

    name = "servicedesk.office"
    label = "office"
