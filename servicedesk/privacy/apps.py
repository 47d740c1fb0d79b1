"""What is stored about people, and for how long."""

from __future__ import annotations

from django.apps import AppConfig


class PrivacyConfig(AppConfig):
    """Personal data: exported, anonymized, deleted when its time is over."""

    name = "servicedesk.privacy"
    label = "privacy"
