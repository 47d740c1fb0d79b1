"""Management command that updates the failure log."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from servicedesk.core.values.words import counted
from servicedesk.reports.operations import keep_failure_log, rebuild_failure_log


class Command(BaseCommand):
    """Update the failure log up to today."""

    help = (
        "Bring the fleet's failure log up to today: failures and parts at risk by day and type of part. Only "
        "days that changed are written. Running it again, or late, is harmless."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--rebuild", action="store_true", help="delete the log first and write every day again"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        at = timezone.now()
        keep = rebuild_failure_log if options["rebuild"] else keep_failure_log
        result = keep(today=timezone.localdate(at), at=at)
        self.stdout.write(
            f"{counted(result.days, 'day')} of the failure log written ({counted(result.rows, 'row')})."
        )
