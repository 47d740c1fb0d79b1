"""Django app of backups, and of moving to another database."""

from __future__ import annotations

from django.apps import AppConfig


class BackupConfig(AppConfig):
    """Backup, restore, move."""

    name = "servicedesk.backup"
    label = "backup"
