"""The register of everything in the field."""

from __future__ import annotations

from django.apps import AppConfig


class UnitsConfig(AppConfig):
    """Customers, sites, units, what units are made of, and when we were watching."""

    name = "units"
    verbose_name = "register"
