"""Django app of pages that people without a sign-in open."""

from __future__ import annotations

from django.apps import AppConfig


class PortalConfig(AppConfig):
    """Page of a visit, e-mail preferences, page of a QR label."""

    name = "servicedesk.portal"
    label = "portal"
