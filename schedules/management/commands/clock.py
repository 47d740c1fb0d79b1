"""Management command that runs the periodic tasks where no Celery beat runs."""

from __future__ import annotations

import logging
import signal
import threading
from argparse import ArgumentParser
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import DatabaseError, close_old_connections
from django.utils import timezone

from schedules.periodic import NOTHING, RunsBeside, run_due

log = logging.getLogger(__name__)

SECONDS_BETWEEN_LOOKS = 5


class Command(BaseCommand):
    """Run the tasks of the beat schedule until stopped; long ones run in threads of their own."""

    help = (
        "Run the periodic work of the beat schedule in this process, for an installation without celery. "
        "Stops cleanly on Ctrl-C or SIGTERM, after the work in hand."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--once", action="store_true", help="do what is due now and end, for cron or a systemd timer"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        stop = threading.Event()
        if options["once"]:
            now = timezone.now()
            for task, said in run_due(now).items():
                self.tell(now, task, said)
            return
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        self.say("The clock is running.")
        runs = RunsBeside(self.tell)
        while not stop.is_set():
            try:
                runs.run_due(timezone.now())
            except DatabaseError:
                # Restarted, or its disk is full: neither lasts, and nobody else would start the clock again.
                log.exception("the database did not answer; the clock looks again")
            close_old_connections()
            stop.wait(SECONDS_BETWEEN_LOOKS)
        runs.wait()
        self.say("The clock has stopped.")

    def tell(self, at: datetime, task: str, said: str) -> None:
        """Print the result of a task, unless there was nothing to do."""
        if said != NOTHING:
            self.say(f"{timezone.localtime(at):%Y-%m-%d %H:%M:%S} {task}: {said}")

    def say(self, words: str) -> None:
        """Write a line to standard output, or to the log where that is JSON."""
        if settings.LOG_FORMAT == "json":
            log.info(words)
            return
        self.stdout.write(words)
        self.stdout.flush()
