"""What people without a sign-in open."""

from __future__ import annotations

from django.apps import AppConfig


class PortalConfig(AppConfig):
    """The page of a visit, the choice of mails, the page of a QR label."""

    name = "servicedesk.portal"
    label = "portal"
