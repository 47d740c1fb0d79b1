"""The clock: the beat schedule run in this process, for a desk without celery."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import pytest
import time_machine
from celery import current_app
from celery.schedules import crontab
from django.core.management import call_command
from pytest_django.fixtures import Settings

from schedules.models import ClockMark, MaintenanceTask
from schedules.periodic import due_tasks
from tests.factories import CareDueFactory
from tests.schedules.desk import Desk, until

AT = datetime(2026, 5, 4, 14, 0, tzinfo=UTC)
HOURLY = {"raise what is due": {"task": "schedules.raise_due", "schedule": crontab(minute="5", hour="*")}}


@pytest.fixture(autouse=True)
def _schedule(settings: Settings) -> None:
    settings.CELERY_BEAT_SCHEDULE = HOURLY


@pytest.fixture
def failing_task() -> Iterator[str]:
    """A task that always fails."""

    @current_app.task(name="tests.fails")
    def fails() -> None:
        raise ValueError("out of silicone")

    yield "tests.fails"
    current_app.tasks.pop("tests.fails")


def tick(at: datetime) -> str:
    """Let the clock look once at a moment."""
    out = StringIO()
    with time_machine.travel(at, tick=False):
        call_command("clock", "--once", stdout=out)
    return out.getvalue()


@pytest.mark.django_db
def test_the_clock_does_what_is_due_and_says_so() -> None:
    CareDueFactory(fitment__unit__site__care_by="us")
    assert tick(AT) == "2026-05-04 10:00:00 schedules.raise_due: 1 tasks raised\n"
    assert MaintenanceTask.objects.count() == 1
    mark = ClockMark.objects.get(task="schedules.raise_due")
    assert (mark.ran_at, mark.said) == (AT, "1 tasks raised")


@pytest.mark.django_db
def test_the_clock_keeps_to_the_schedule_and_catches_up_once() -> None:
    ran = [bool(tick(AT + timedelta(minutes=minutes))) for minutes in (0, 4, 5, 6, 64, 65, 66, 60 * 24 * 30)]
    assert ran == [True, False, True, False, False, True, False, True]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("before", "after"),
    [
        (datetime(2026, 3, 8, 6, 5, tzinfo=UTC), datetime(2026, 3, 8, 7, 6, tzinfo=UTC)),  # forward an hour
        (datetime(2026, 11, 1, 4, 5, tzinfo=UTC), datetime(2026, 11, 1, 7, 10, tzinfo=UTC)),  # and back
    ],
)
def test_the_changing_of_the_clocks_stops_no_hourly_work(before: datetime, after: datetime) -> None:
    tick(before)
    assert tick(after) != ""


@pytest.mark.django_db
def test_every_entry_of_the_desks_own_schedule_can_be_asked_whether_it_is_due(
    settings: Settings,
) -> None:
    from servicedesk import settings as stored

    settings.CELERY_BEAT_SCHEDULE = stored.CELERY_BEAT_SCHEDULE
    assert "schedules.raise_due" in set(due_tasks())


@pytest.mark.django_db
def test_a_task_that_fails_is_noted_and_tried_again_when_it_is_next_due(
    settings: Settings, failing_task: str, caplog: pytest.LogCaptureFixture
) -> None:
    settings.CELERY_BEAT_SCHEDULE = {
        "fails": {"task": failing_task, "schedule": timedelta(minutes=10)},
        **HOURLY,
    }
    told = tick(AT)
    assert "tests.fails: failed: out of silicone" in told
    assert "schedules.raise_due: 0 tasks raised" in told
    assert "tests.fails failed" in caplog.text
    assert tick(AT + timedelta(minutes=4)) == ""
    assert "failed" in tick(AT + timedelta(minutes=11))


@pytest.mark.django_db
def test_a_task_no_app_has_is_told(settings: Settings) -> None:
    settings.CELERY_BEAT_SCHEDULE = {"gone": {"task": "nobody.has_this", "schedule": 60.0}}
    assert "failed: no task of this name is known" in tick(AT)


def test_the_running_clock_works_and_stops_cleanly_when_told_to(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.manage("migrate", "-v", "0")
    desk.script(
        "from tests.factories import CareDueFactory; CareDueFactory(fitment__unit__site__care_by='us')"
    )
    process = subprocess.Popen(
        [sys.executable, "manage.py", "clock"],
        env=desk.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        until(lambda: desk.ask("SELECT count(*) FROM schedules_maintenancetask") == [(1,)])
        process.send_signal(signal.SIGTERM)
        out, errors = process.communicate(timeout=30)
    finally:
        process.kill()
    assert process.returncode == 0, errors
    assert "schedules.raise_due: 1 tasks raised" in out
    assert out.endswith("The clock has stopped.\n")
