"""Management command that raises tasks for due maintenance."""

from __future__ import annotations

from argparse import ArgumentParser
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from schedules.operations import raise_due
from servicedesk.core.history import change_source
from servicedesk.core.models.changes import Source
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import count


class Command(BaseCommand):
    """Raise a task for all maintenance that is due and ours."""

    help = (
        "Make a task of all maintenance that is due and agreed to be done by us, at most one for each "
        "part and "
        "rule. Running it again, or late, is harmless."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--on",
            type=date.fromisoformat,
            metavar="DATE",
            help="as of this day, such as 2026-05-04 (default: today)",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        at = timezone.now()
        today = options["on"] or timezone.localdate(at)
        with change_source(Source.COMMAND):
            raised = raise_due(today, at=at)
        self.stdout.write(
            f"{count(raised, 'task')} raised for maintenance due on or before {long_date(today)}."
        )
