"""Looks which lots and types fail more often than the others, as the clock does every night."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from servicedesk.reports.tasks import run_surveillance


class Command(BaseCommand):
    """Look at all lots and types at once."""

    help = "Look at all lots and types of part at once, and write down which stand out."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(run_surveillance())
