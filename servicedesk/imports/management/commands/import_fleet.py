"""Command that imports a fleet from files."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError
from django.utils import timezone

from servicedesk.core.history import change_source
from servicedesk.core.models import Batch
from servicedesk.core.models.changes import Source
from servicedesk.core.rules.full_disk import is_full_disk
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.words import count
from servicedesk.imports import operations
from servicedesk.imports.models import InputFile
from units.models import Site

LISTED = 50
PATIENCE = 90
"""Seconds to wait for a lease of another process, perhaps a dead one on another machine."""


class Command(BaseCommand):
    """Import units, and with them their history and observation periods."""

    help = (
        "Checks the files whole, then applies them. With a bad row nothing is applied, unless --keep-good. "
        "The same files twice change nothing."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the options of the command line."""
        parser.add_argument("units", nargs="?", type=Path, metavar="UNITS.csv")
        parser.add_argument("--history", type=Path, metavar="HISTORY.csv")
        parser.add_argument("--periods", type=Path, metavar="PERIODS.csv")
        parser.add_argument("--dry-run", action="store_true", help="check only and leave nothing behind")
        parser.add_argument("--keep-good", action="store_true", help="apply the good rows if others are bad")
        parser.add_argument(
            "--bad-rows",
            type=Path,
            metavar="FOLDER",
            help="where files of the bad rows go (with --keep-good: beside the files they came from)",
        )
        parser.add_argument(
            "--care-by",
            choices=Site.CareBy.values,
            default=Site.CareBy.NOBODY.value,
            help="who does the maintenance at new sites (nobody: no maintenance tasks are made)",
        )
        parser.add_argument("--resume", action="store_true", help="resume imports that were cut off")
        parser.add_argument("--revert", type=int, metavar="NUMBER", help="delete all that an import made")

    def handle(self, *args: Any, **options: Any) -> None:
        """Import the named files, resume interrupted imports, or revert one."""
        actions = [options["units"] is not None, options["resume"], options["revert"] is not None]
        if sum(actions) != 1:
            raise CommandError("Name a file of units, or give --resume, or --revert NUMBER.")
        self.progress = ProgressBar(self.stderr)
        try:
            with change_source(Source.IMPORT):
                self._do(options)
        except (RuleViolation, operations.LeaseLost) as error:
            raise CommandError(str(error)) from error
        except (DatabaseError, OSError) as error:
            if not is_full_disk(error):
                raise
            raise CommandError(
                "The disk is full. What was imported so far stays; make room, then resume with: "
                "manage.py import_fleet --resume"
            ) from error
        except KeyboardInterrupt:
            raise CommandError(
                "Stopped. Resume with: manage.py import_fleet --resume", returncode=130
            ) from None
        finally:
            self.progress.close()

    def _do(self, options: dict[str, Any]) -> None:
        if options["revert"] is not None:
            self._revert(options["revert"])
        elif options["resume"]:
            self._resume(options["bad_rows"])
        else:
            self._bring_in(options)

    def _bring_in(self, options: dict[str, Any]) -> None:
        """Check the files, and apply what may be applied."""
        paths = {
            InputFile.UNITS: options["units"],
            InputFile.PERIODS: options["periods"],
            InputFile.HISTORY: options["history"],
        }
        started = time.monotonic()
        batch = _open_batch({file: path for file, path in paths.items() if path is not None}, options)
        try:
            batch = operations.resume(batch, progress=self.progress)
        except KeyboardInterrupt:
            if options["dry_run"]:
                operations.discard_batch(batch)
            raise
        self.progress.close()
        self._tell(batch, seconds=time.monotonic() - started)
        folders = {
            file: options["bad_rows"] or path.parent for file, path in paths.items() if path is not None
        }
        self._report_bad(batch, folders, folder_given=options["bad_rows"] is not None)
        bad = operations.count_problems(batch)
        if options["dry_run"]:
            operations.discard_batch(batch)
        if bad and batch.stage != Batch.Stage.APPLIED:
            raise CommandError(f"Nothing was applied: {count(bad, 'cell')} can't be taken.", returncode=1)

    def _resume(self, bad_rows: Path | None) -> None:
        """Resume every import that was interrupted."""
        batches = list(Batch.objects.unfinished())
        if not batches:
            self.stdout.write("No import was cut off.")
        for batch in batches:
            started = time.monotonic()
            self._wait_for(batch)
            batch.refresh_from_db()
            batch = operations.resume(batch, progress=self.progress)
            self.progress.close()
            self._tell(batch, seconds=time.monotonic() - started)
            folder = bad_rows or Path.cwd()
            self._report_bad(batch, dict.fromkeys(InputFile, folder), folder_given=bad_rows is not None)
            if batch.check_only:
                operations.discard_batch(batch)

    def _wait_for(self, batch: Batch) -> None:
        """Wait until a process that has the lease of the batch renews or loses it."""
        until = time.monotonic() + PATIENCE
        while not operations.is_free(batch) and time.monotonic() < until:
            time.sleep(0.5)
            batch.refresh_from_db()

    def _revert(self, number: int) -> None:
        """Revert an import."""
        batch = Batch.objects.filter(pk=number).first()
        if batch is None:
            raise CommandError(f"There is no import {number}.")
        started = time.monotonic()
        operations.revert(batch, by=None, at=timezone.now(), progress=self.progress)
        self.progress.close()
        batch.refresh_from_db()
        took = time.monotonic() - started
        self.stdout.write(
            f"Import {number} undone: {count(batch.work_total, 'record')} deleted in {took:.1f} s."
        )

    def _tell(self, batch: Batch, *, seconds: float) -> None:
        """Summary of an import in a few lines."""
        if batch.check_only:
            self.stdout.write("Checked only; nothing was applied.")
        else:
            self.stdout.write(f"Import {batch.pk}: {batch.get_stage_display()}.")
        done = "would be added" if batch.check_only else "added"
        for record in batch.files.order_by("pk"):
            applied = record.applied
            if batch.stage != Batch.Stage.APPLIED:
                applied = record.rows - record.known - record.bad
            result = f"{applied:,} {done}" if batch.stage != Batch.Stage.REFUSED else f"{applied:,} good"
            self.stdout.write(
                f"  {record.name}: {result}, {record.known:,} known already, {record.bad:,} bad"
            )
        if assumed := operations.starts_words(batch):
            self.stdout.write(f"  {assumed}")
        self.stdout.write(f"  {seconds:.1f} seconds")

    def _report_bad(self, batch: Batch, folders: dict[InputFile, Path], *, folder_given: bool) -> None:
        """List the first problems, and where the rest is."""
        number = operations.count_problems(batch)
        if not number:
            return
        for problem in operations.problems(batch, most=LISTED):
            self.stdout.write(f"  {problem}")
        if folder_given or batch.stage == Batch.Stage.APPLIED:
            for path in operations.write_bad_rows(batch, folders):
                self.stdout.write(f"Bad rows with their reasons: {path}")
        if number <= LISTED:
            return
        more = count(number - LISTED, "more problem")
        if batch.check_only and not folder_given:
            self.stdout.write(f"{more}. --bad-rows FOLDER writes them all.")
            return
        folder = folders[InputFile.UNITS]
        units = batch.files.get(file=InputFile.UNITS)
        path = operations.write_problems(batch, folder / f"{Path(units.name).stem}.problems.csv")
        self.stdout.write(f"{more}; all of them: {path}")


def _open_batch(paths: dict[InputFile, Path], options: dict[str, Any]) -> Batch:
    """Create a batch from the files."""
    with ExitStack() as stack:
        files = {}
        for file, path in paths.items():
            try:
                content = stack.enter_context(path.open("rb"))
            except OSError as error:
                raise CommandError(f"{path} can't be read: {error.strerror}. Check the name.") from error
            files[file] = operations.Incoming(path.name, content)
        return operations.create_batch(
            files,
            keep_good=options["keep_good"],
            care_by=options["care_by"],
            check_only=options["dry_run"],
            by=None,
            at=timezone.now(),
        )


class ProgressBar:
    """Progress of the work: a bar in a terminal, else a line for every tenth."""

    WIDTH = 30

    def __init__(self, out: Any) -> None:
        self.out = out
        self.is_terminal = bool(out.isatty())
        self._what = ""
        self._tenth = -1
        self._drawn_at = 0.0
        self._open = False

    def __call__(self, what: str, done: int, total: int) -> None:
        """Show one step of the work."""
        share = min(1.0, done / total) if total else 1.0
        if self.is_terminal:
            self._draw(what, share)
            return
        tenth = int(share * 10)
        if (what, tenth) != (self._what, self._tenth):
            self._what, self._tenth = what, tenth
            self.out.write(f"{what}: {tenth * 10} %", style_func=str)

    def _draw(self, what: str, share: float) -> None:
        """Draw the bar over the last one, a few times a second."""
        now = time.monotonic()
        if what == self._what and share < 1 and now - self._drawn_at < 0.1:
            return
        if what != self._what:
            self.close()
        self._what, self._drawn_at, self._open = what, now, True
        filled = round(share * self.WIDTH)
        bar = "#" * filled + "." * (self.WIDTH - filled)
        self.out.write(f"\r{what[:40]:<40} [{bar}] {share:4.0%}", style_func=str, ending="")

    def close(self) -> None:
        """End the line of the bar."""
        if self._open:
            self.out.write("")
            self._open = False
