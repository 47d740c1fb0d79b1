"""The accounts app: who may do what."""

from __future__ import annotations

from django.apps import AppConfig


class AccountsConfig(AppConfig):
    """Users, roles, sessions, signing in."""

    name = "servicedesk.accounts"
    label = "accounts"
