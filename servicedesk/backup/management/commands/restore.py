"""Command that restores a backup, after all of it was verified."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from servicedesk.backup.backups import check_backup, restore_backup
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.words import count


class Command(BaseCommand):
    """Verify a backup, then replace the present database and photos with it."""

    help = "Bring the backup in DIR back. Everything in it is checked before anything is touched."
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("dir", type=Path, help="the folder of one backup")
        parser.add_argument(
            "--replace", action="store_true", help="put it in the place of records that are there"
        )
        parser.add_argument("--check", action="store_true", help="only check it")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            if options["check"]:
                rows = sum(check_backup(options["dir"])["rows"].values())
                self.stdout.write(f"{options['dir']} is whole: {count(rows, 'row')}")
                return
            done = restore_backup(options["dir"], replace=options["replace"])
        except (RuleViolation, OSError) as error:
            raise CommandError(str(error)) from error
        self.stdout.write(
            f"{done.folder} is back: {count(done.rows, 'row')}. Run manage.py migrate, then start Sashkeep."
        )
