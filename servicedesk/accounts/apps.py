"""Django app of accounts and roles."""

from __future__ import annotations

from django.apps import AppConfig


class AccountsConfig(AppConfig):
    """Users, roles, sessions, sign-in."""

    name = "servicedesk.accounts"
    label = "accounts"
