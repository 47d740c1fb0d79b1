"""Management command that runs the nightly surveillance of lots and types at once."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from servicedesk.reports.tasks import run_surveillance


class Command(BaseCommand):
    """Run the surveillance of all lots and types."""

    help = "Check all lots and types of part now, and record which stand out."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(run_surveillance())
