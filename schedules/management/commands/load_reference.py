"""Management command that loads the reference files, from component types to maintenance rules."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from schedules.maintenance.reference import load_all
from servicedesk.core.rules.refusals import RuleViolation


class Command(BaseCommand):
    """Add the rows of the reference files that the register does not have yet."""

    help = (
        "Add the component types, constructions, failure modes and maintenance rules of a folder. "
        "Rows that are there already stay as they are, so it can be run again at any time."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "folder",
            nargs="?",
            type=Path,
            default=settings.BASE_DIR / "fixtures" / "reference",
            help="the folder with the four files (default: fixtures/reference)",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            counts = load_all(options["folder"], by=None, at=timezone.now())
        except RuleViolation as error:
            raise CommandError(f"Nothing was loaded. {error}") from error
        for name, loaded in counts.items():
            self.stdout.write(f"{name}: {loaded.added} added, {loaded.unchanged} kept as they are")
