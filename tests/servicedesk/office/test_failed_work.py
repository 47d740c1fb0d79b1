"""Periodic work that fails, or does not come, is told to whoever watches the machine and to the owner."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import pytest
import time_machine
from celery.schedules import crontab
from django.core.management import call_command
from django.test import Client
from django.utils import timezone
from pytest_django import Settings

from schedules.models import ClockMark
from schedules.operations import note_run
from schedules.periodic import task_names
from servicedesk.office.failed_work import BACK_UP, WORK, failed_work

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 5, 4, 14, 0, tzinfo=UTC)
DAY = timedelta(days=1)
NIGHTLY = {"back up": {"task": BACK_UP, "schedule": crontab(minute="15", hour="1")}}


def night(at: datetime) -> None:
    """Run the scheduler of periodic tasks once, as at a moment."""
    with time_machine.travel(at, tick=False):
        call_command("clock", "--once", stdout=StringIO())


def home(client: Client, at: datetime) -> str:
    """Read the home page at a moment."""
    with time_machine.travel(at, tick=False):
        return client.get("/").content.decode()


def test_ready_names_every_task_that_fails(client: Client) -> None:
    for task in task_names():
        note_run(task, said="failed: OperationalError", at=timezone.now())
    assert client.get("/ready/").json()["clock"] == f"failing: {', '.join(sorted(task_names()))}"
    for task in task_names() - {"schedules.send_notifications"}:
        note_run(task, said="done", at=timezone.now())
    assert client.get("/ready/").json()["clock"] == "failing: schedules.send_notifications"
    ClockMark.objects.update(ran_at=timezone.now() - DAY)
    assert client.get("/ready/").json()["clock"] == "late; failing: schedules.send_notifications"


def test_a_task_that_no_version_has_any_more_fails_for_nobody(client: Client) -> None:
    note_run("schedules.gone", said="failed: ValueError", at=timezone.now())
    assert client.get("/ready/").json()["clock"] == "on time"


@pytest.mark.sqlite  # PostgreSQL's dump begins a transaction of its own, which a test's can't hold
def test_the_owner_reads_since_when_the_backup_fails_and_what_to_do(
    as_owner: Client, settings: Settings, tmp_path: Path
) -> None:
    """The folder can't be made: a file lies in its place."""
    settings.CELERY_BEAT_SCHEDULE = NIGHTLY
    folder = tmp_path / "disk" / "backups"
    folder.parent.write_text("")
    settings.BACKUP_DIR = str(folder)
    for days in range(3):
        night(NOW + days * DAY)
    page = home(as_owner, NOW + 2 * DAY + timedelta(minutes=5))
    assert "The nightly backup has failed since May 4, 2026, 10:00" in page
    assert f"manage.py back_up {folder}" in page
    assert "Error message: NotADirectoryError" in page
    folder.parent.unlink()
    night(NOW + 3 * DAY)
    assert "backup" not in home(as_owner, NOW + 3 * DAY)


@pytest.mark.sqlite  # PostgreSQL's dump begins a transaction of its own, which a test's can't hold
def test_a_backup_that_is_too_old_is_told_though_nothing_failed(
    as_owner: Client, settings: Settings, tmp_path: Path
) -> None:
    settings.CELERY_BEAT_SCHEDULE = NIGHTLY
    settings.BACKUP_DIR = str(tmp_path)
    night(NOW)
    assert "backup" not in home(as_owner, NOW + timedelta(minutes=1))
    page = home(as_owner, NOW + 2 * DAY + timedelta(minutes=1))
    assert "No backup has been made since May 4, 2026, 10:00" in page
    assert "The background jobs have not run since May 4, 2026, 10:00" in page
    [backup] = tmp_path.glob("sashkeep-*")
    backup.rename(tmp_path / "moved-away")
    (tmp_path / "sashkeep-notes").mkdir()
    assert f"There is no backup in {tmp_path}" in home(as_owner, NOW + timedelta(minutes=1))


def test_the_home_page_opens_though_the_disk_of_the_backups_does_not_answer(
    as_owner: Client, settings: Settings, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """As on a share that went away: the call that looks for the manifest fails."""
    settings.BACKUP_DIR = str(tmp_path)
    folder = tmp_path / "sashkeep-20260504-050000"
    folder.mkdir()
    note_run(BACK_UP, said="done", at=NOW)
    look = Path.is_file

    def is_file(path: Path) -> bool:
        if path.parent == folder:
            raise PermissionError(13, "Permission denied")
        return look(path)

    monkeypatch.setattr(Path, "is_file", is_file)
    assert f"There is no backup in {tmp_path}" in home(as_owner, NOW + timedelta(minutes=1))


def test_without_a_folder_for_backups_none_is_missed(as_owner: Client, settings: Settings) -> None:
    settings.CELERY_BEAT_SCHEDULE = NIGHTLY
    settings.BACKUP_DIR = ""
    night(NOW)
    assert "backup" not in home(as_owner, NOW + timedelta(minutes=1))


def test_a_run_noted_by_the_version_before_is_told_too() -> None:
    ClockMark.objects.create(task="schedules.send_notifications", ran_at=NOW, said="failed: OperationalError")
    [work] = failed_work(NOW)
    assert (work.what, work.since) == ("Sending messages has failed", NOW)


def test_each_task_of_the_schedule_has_words_an_owner_knows() -> None:
    assert set(WORK) == task_names()
