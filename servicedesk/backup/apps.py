"""Backups, and moving to another database."""

from __future__ import annotations

from django.apps import AppConfig


class BackupConfig(AppConfig):
    """Backing up, restoring, moving."""

    name = "servicedesk.backup"
    label = "backup"
