"""Django app configuration of units, the register."""

from __future__ import annotations

from django.apps import AppConfig


class UnitsConfig(AppConfig):
    """Customers, sites, units, their parts, the catalog, and follow-up periods."""

    name = "units"
    verbose_name = "register"
