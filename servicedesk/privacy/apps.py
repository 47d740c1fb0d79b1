"""Django app of personal data and their retention."""

from __future__ import annotations

from django.apps import AppConfig


class PrivacyConfig(AppConfig):
    """Personal data: export, anonymization, retention."""

    name = "servicedesk.privacy"
    label = "privacy"
