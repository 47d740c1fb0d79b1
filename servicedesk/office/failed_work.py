"""Periodic tasks that failed or did not run, for monitoring and for the owner."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings

from schedules import tasks as schedule_tasks
from schedules.models import ClockMark
from schedules.models.clock import FAILED
from schedules.periodic import task_names
from servicedesk.backup.backups import last_backup
from servicedesk.backup.tasks import back_up
from servicedesk.calls import tasks as call_tasks
from servicedesk.imports.tasks import resume_imports
from servicedesk.privacy.tasks import apply_retention
from servicedesk.reports import tasks as report_tasks

CLOCK_LATE = timedelta(minutes=15)
BACKUP_OLD = timedelta(days=2)
BACK_UP = back_up.name
WORK = {
    BACK_UP: "The nightly backup",
    call_tasks.update_service_times.name: "Calculating how long work takes",
    call_tasks.make_small_pictures.name: "Making small pictures of photos",
    call_tasks.sweep_files.name: "Clearing up files of photos",
    apply_retention.name: "Deleting what is old",
    resume_imports.name: "Resuming imports",
    report_tasks.compute_figures.name: "Calculating figures",
    report_tasks.keep_failure_log.name: "Writing the failure log",
    report_tasks.run_surveillance.name: "Checking lots and types",
    schedule_tasks.raise_due.name: "Making tasks of the maintenance that is due",
    schedule_tasks.send_notifications.name: "Sending messages",
    schedule_tasks.solve_weeks.name: "Planning weeks",
}
"""Periodic tasks, with their names for the owner."""
TRY_BACKUP = (
    "Check that the disk of {folder} is there, has room and can be written to; then run “manage.py back_up "
    "{folder}”, which says what is wrong."
)
TRY_AGAIN = (
    "It is tried again automatically. If this message stays, the server log says why: show it to whoever "
    "runs the server."
)
START_CLOCK = (
    "Messages are not sent and due maintenance makes no tasks. Restart the background jobs (the clock, or "
    "beat and worker), or the server: whoever runs it knows how."
)


@dataclass(frozen=True)
class FailedWork:
    """Failed task: what, since when, its message, and what to do."""

    what: str
    since: datetime | None
    to_do: str
    said: str = ""


def clock_word(now: datetime) -> str:
    """State of the periodic tasks for monitoring, in a word or two."""
    failing = ", ".join(ClockMark.objects.failing(task_names()).values_list("task", flat=True))
    words = ["late"] if _last_run() is None or _is_late(now) else []
    return "; ".join([*words, *([f"failing: {failing}"] if failing else [])]) or "on time"


def failed_work(now: datetime) -> list[FailedWork]:
    """Failed tasks that an owner should see to."""
    return [*_standing_clock(now), *_failing(), *_old_backup(now)]


def _last_run() -> datetime | None:
    return ClockMark.objects.order_by("-ran_at").values_list("ran_at", flat=True).first()


def _is_late(now: datetime) -> bool:
    last = _last_run()
    return last is not None and now - last > CLOCK_LATE


def _standing_clock(now: datetime) -> Iterator[FailedWork]:
    if _is_late(now):
        yield FailedWork("The background jobs have not run", _last_run(), START_CLOCK)


def _failing() -> Iterator[FailedWork]:
    for mark in ClockMark.objects.failing(task_names()):
        to_do = TRY_BACKUP.format(folder=settings.BACKUP_DIR) if mark.task == BACK_UP else TRY_AGAIN
        what = f"{WORK.get(mark.task, mark.task)} has failed"
        yield FailedWork(what, mark.failing_since or mark.ran_at, to_do, mark.said.removeprefix(FAILED))


def _old_backup(now: datetime) -> Iterator[FailedWork]:
    """Report a missing backup, where backups are configured and the last one is not known to have failed."""
    mark = ClockMark.objects.filter(task=BACK_UP).first()
    if not settings.BACKUP_DIR or mark is None or mark.said.startswith(FAILED):
        return
    try:
        last = last_backup(Path(settings.BACKUP_DIR))
    except OSError:  # the disk does not answer, or somebody else's backups can't be read
        last = None
    if last is None or now - last > BACKUP_OLD:
        what = "No backup has been made" if last else f"There is no backup in {settings.BACKUP_DIR}"
        yield FailedWork(what, last, TRY_BACKUP.format(folder=settings.BACKUP_DIR))
