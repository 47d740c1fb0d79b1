"""Command that makes an online backup of database and photos."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from servicedesk.backup.backups import make_backup, prune_backups
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.words import count


class Command(BaseCommand):
    """Copy database and photos into a new subfolder of a folder."""

    help = "Make a backup of database and photos in a new folder below DIR, while Sashkeep runs."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("dir", type=Path, help="the folder that holds the backups")
        parser.add_argument("--keep", type=int, help="throw the oldest away beyond this number")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["keep"] is not None and options["keep"] < 1:
            raise CommandError("Keep one backup at least.")
        try:
            made = make_backup(options["dir"], at=timezone.now())
        except (RuleViolation, OSError) as error:
            raise CommandError(f"No backup was made. {error}") from error
        size = f"{count(made.rows, 'row')}, {count(made.files, 'file')}, {count(made.size, 'byte')}"
        self.stdout.write(f"{made.folder}: {size}")
        if options["keep"]:
            for path in prune_backups(options["dir"], keep=options["keep"]):
                self.stdout.write(f"{path} thrown away")
