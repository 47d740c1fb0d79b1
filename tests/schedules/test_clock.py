"""The clock: the beat schedule run in this process, for a desk without celery."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
import time_machine
from celery import current_app
from celery.schedules import crontab
from django.core.management import call_command
from django.db import OperationalError, connection
from pytest_django.fixtures import Settings

from schedules.management.commands import clock
from schedules.models import ClockMark, MaintenanceTask, NextDue
from schedules.periodic import due_tasks
from servicedesk.core.database.on_commit import know_tasks
from tests.factories import InstalledPartFactory, MaintenanceRuleFactory, NextDueFactory
from tests.schedules.installation import Installation, until

pytestmark = pytest.mark.long

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
    NextDueFactory(installed_part__unit__site__care_by="us")
    assert tick(AT) == "2026-05-04 10:00:00 schedules.raise_due: 1 task raised\n"
    assert MaintenanceTask.objects.count() == 1
    mark = ClockMark.objects.get(task="schedules.raise_due")
    assert (mark.ran_at, mark.said) == (AT, "1 task raised")


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
    output = tick(AT)
    assert "tests.fails: failed: ValueError" in output
    assert "silicone" not in output  # what an exception says may quote what somebody typed
    assert "schedules.raise_due: 0 tasks raised" in output
    assert "tests.fails failed" in caplog.text
    assert tick(AT + timedelta(minutes=4)) == ""
    assert "failed" in tick(AT + timedelta(minutes=11))


@pytest.mark.django_db
def test_where_programs_read_the_log_the_clock_writes_there(
    settings: Settings, caplog: pytest.LogCaptureFixture
) -> None:
    settings.LOG_FORMAT = "json"
    with caplog.at_level("INFO"):
        assert tick(AT) == ""
    assert "schedules.raise_due: 0 tasks raised" in caplog.text


@pytest.mark.django_db
def test_a_task_no_app_has_is_told(settings: Settings) -> None:
    settings.CELERY_BEAT_SCHEDULE = {"gone": {"task": "nobody.has_this", "schedule": 60.0}}
    assert "failed: no task of this name is known" in tick(AT)


def test_the_running_clock_works_and_stops_cleanly_when_told_to(tmp_path: Path) -> None:
    installation = Installation(tmp_path)
    installation.make_tables()
    installation.script(
        "from tests.factories import NextDueFactory; NextDueFactory(installed_part__unit__site__care_by='us')"
    )
    process = subprocess.Popen(
        [sys.executable, "manage.py", "clock"],
        env=installation.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        until(lambda: installation.ask("SELECT count(*) FROM schedules_maintenancetask") == [(1,)])
        process.send_signal(signal.SIGTERM)
        out, errors = process.communicate(timeout=30)
    finally:
        process.kill()
    assert process.returncode == 0, errors
    assert "schedules.raise_due: 1 task raised" in out
    assert out.endswith("The clock has stopped.\n")


def test_a_long_backup_keeps_no_other_work_waiting(tmp_path: Path) -> None:
    backups = tmp_path / "backups"
    settings = {"DJANGO_SETTINGS_MODULE": "tests.schedules.long_backup", "BACKUP_DIR": str(backups)}
    installation = Installation(tmp_path / "desk", settings)
    photos = installation.folder / "photos"
    photos.mkdir(parents=True)
    with (photos / "large.jpg").open("wb") as file:
        file.truncate(4 * 1024**3)  # no room on the disk, and seconds to read
    installation.make_tables()

    def runs() -> set[object]:
        return set(
            installation.ask("SELECT ran_at FROM schedules_clockmark WHERE task = 'schedules.raise_due'")
        )

    seen: set[object] = set()
    with installation.running(sys.executable, "manage.py", "clock", ready="The clock is running."):
        until(lambda: any(backups.glob(".*.part/photos/large.jpg")))
        while any(backups.glob(".*.part")):
            seen |= runs()
            time.sleep(0.2)
        assert len(seen) >= 2, installation.log()
    assert [path.name[:8] for path in backups.glob("[!.]*")] == ["sashkeep"], (
        "the run in hand came to its end"
    )


def test_a_worker_knows_every_task_of_the_schedule(tmp_path: Path) -> None:
    installation = Installation(tmp_path, {"DJANGO_SETTINGS_MODULE": "servicedesk.settings"})
    script = (
        "from django.conf import settings; from servicedesk.celery import app\n"
        "app.loader.import_default_modules()\n"  # as a worker does, which opens no page
        "print({entry['task'] for entry in settings.CELERY_BEAT_SCHEDULE.values()} - set(app.tasks))"
    )
    assert installation.script(script).strip() == "set()"


@pytest.mark.django_db
def test_a_run_by_a_worker_is_noted_if_the_schedule_asks_for_it() -> None:
    know_tasks()
    for name, result in (("schedules.raise_due", "1 task raised"), ("schedules.plan_next_dues", "none")):
        current_app.tasks[name].after_return("SUCCESS", result, "id", (), {}, None)
    (mark,) = ClockMark.objects.all()
    assert (mark.task, mark.said) == ("schedules.raise_due", "1 task raised")
    failed = ValueError("Ada Probeson")
    current_app.tasks["schedules.raise_due"].after_return("FAILURE", failed, "id", (), {}, None)
    assert ClockMark.objects.get().said == "failed: ValueError"


@pytest.mark.django_db
def test_a_clock_that_was_put_back_does_not_wait_for_the_future() -> None:
    NextDueFactory(installed_part__unit__site__care_by="us")
    tick(AT + timedelta(hours=9))
    MaintenanceTask.objects.all().delete()
    tick(AT)  # the machine's clock had been nine hours fast
    assert MaintenanceTask.objects.count() == 1
    assert ClockMark.objects.get(task="schedules.raise_due").ran_at == AT
    tick(AT + timedelta(minutes=1))
    assert ClockMark.objects.get(task="schedules.raise_due").ran_at == AT


@pytest.mark.django_db
def test_a_part_recorded_after_the_clock_was_put_back_comes_under_its_rule() -> None:
    rule = MaintenanceRuleFactory()
    know_tasks()
    plan = current_app.tasks["schedules.plan_next_dues"]
    with time_machine.travel(AT + timedelta(hours=9), tick=False):
        plan.apply()
    with time_machine.travel(AT, tick=False):
        InstalledPartFactory(component_type=rule.component_type)
        plan.apply()
    assert NextDue.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_the_clock_outlives_a_database_that_is_away(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(clock, "SECONDS_BETWEEN_LOOKS", 0.01)
    queries = 0

    def away_at_first(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        nonlocal queries
        queries += 1
        assert queries < 500, "the clock does not come round"
        if queries == 1:
            raise OperationalError("the database system is shutting down")
        os.kill(os.getpid(), signal.SIGTERM)
        return execute(sql, params, many, context)

    handlers = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        with connection.execute_wrapper(away_at_first):
            call_command("clock", stdout=StringIO())
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
    assert "the clock looks again" in caplog.text
    assert ClockMark.objects.filter(task="schedules.raise_due").exists()
