"""Command that loads the demo company: an invented fleet with eleven years of records and a planned week."""

from __future__ import annotations

import logging
from argparse import ArgumentParser, ArgumentTypeError
from datetime import date
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.demo.company import FIXTURES, is_loaded
from servicedesk.demo.sources import Scenario, read_scenario
from units.models import Site, Unit


def day(text: str) -> date:
    """Read a day written as 2026-07-29."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise ArgumentTypeError(f"“{text}” is no day. Write it like 2026-07-29.") from error


class Command(BaseCommand):
    """Load the demo company into an empty database, or report that it is there."""

    help = (
        "Load an invented company with about 700 units at 260 sites, eleven years of records, open calls and "
        "a planned week. Where it is loaded already, nothing changes."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--today", type=day, help="the day as of which the company stands (default: today)"
        )
        parser.add_argument(
            "--folder",
            type=Path,
            default=settings.DATA_DIR / "demo-files",
            help="where the three files that it is imported from are kept (default: %(default)s)",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        scenario, already = read_scenario(FIXTURES), is_loaded()
        if not already:
            self._load(scenario, today=options["today"], folder=options["folder"])
        count = f"{Unit.objects.count()} units at {Site.objects.count()} sites"
        if already:
            self.stdout.write(f"{scenario.company} is loaded already ({count}); nothing was changed.")
        else:
            self.stdout.write(f"{scenario.company} is loaded: {count}. All of it is invented.")
        self.stdout.write("Sign in as")
        for person in scenario.people:
            self.stdout.write(f"  {person.username:<8} {person.password:<18} {person.name}, {person.role}")

    def _load(self, scenario: Scenario, *, today: date | None, folder: Path) -> None:
        # Imported here, because a second run only reports that all is there, and does so at once.
        from servicedesk.demo.loading import load_demo

        # Each change of a part queues periodic work; a log line for each of them would drown the sign-ins.
        logging.getLogger("celery.app.trace").setLevel(logging.WARNING)
        try:
            load_demo(scenario, today=today, folder=folder, tell=self.stdout.write)
        except RuleViolation as refusal:
            raise CommandError(str(refusal)) from refusal
