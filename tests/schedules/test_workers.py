"""Celery for real: a Redis server, a worker and a beat of their own do the work of the desk."""

from __future__ import annotations

import signal
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from servicedesk import settings as stored
from tests.schedules.installation import Installation, free_port, redis, until

pytestmark = pytest.mark.broker

# Each script is a process of its own, in which the factories count from nought again: hence names of chance.
OUR_MAINTENANCE = """
from uuid import uuid4
from tests.factories import NextDueFactory
mark = uuid4().hex
NextDueFactory(
    installed_part__unit__site__care_by='us', installed_part__unit__site__code=mark,
    installed_part__unit__code=mark, installed_part__component_type__name=mark,
)
"""
A_RULE = """
from tests.factories import MaintenanceRuleFactory, ComponentTypeFactory, UnitFactory
MaintenanceRuleFactory(component_type=ComponentTypeFactory(name='bare track'))
UnitFactory(code='U-1', site__care_by='us')
"""
FIT_A_PART = """
from datetime import date
from django.utils import timezone
from units.fitting import fit_part
from units.models import ComponentType, Unit
fit_part(Unit.objects.get(), component_type=ComponentType.objects.get(), panel=0, pieces=1, lot='',
         on=date(2024, 5, 4), by=None, at=timezone.now())
"""
MOVE_A_SITE = """
import time, uuid
from django.conf import settings
from django.contrib.auth.models import Group
from django.test import Client
from tests.factories import SiteFactory, UserFactory
settings.ALLOWED_HOSTS = ['testserver']
user = UserFactory()
user.groups.add(Group.objects.get_or_create(name='scheduler')[0])
client = Client()
client.force_login(user)
site = SiteFactory(code='S-moved')
start = time.monotonic()
answer = client.post('/who-does-the-care/', {'sites': [site.pk], 'care_by': 'us'})
site.refresh_from_db()
print('answered', answer.status_code, site.care_by, 'after', round(time.monotonic() - start, 1))
assert time.monotonic() - start < 10
"""


@pytest.fixture
def installation(tmp_path: Path) -> Installation:
    """A desk that asks for a broker on a free port."""
    installation = Installation(tmp_path, {"REDIS_URL": f"redis://127.0.0.1:{free_port()}/0"})
    installation.make_tables()
    return installation


def port_of(installation: Installation) -> int:
    """Give the port of a desk's broker."""
    return int(installation.settings["REDIS_URL"].split(":")[2].split("/")[0])


def celery(*arguments: str) -> list[str]:
    """Give the command line of celery."""
    return [sys.executable, "-m", "celery", "-A", "servicedesk", *arguments]


WORKER = celery("worker", "--pool", "solo", "--loglevel", "INFO", "--without-mingle")


def tasks_in(installation: Installation) -> int:
    """Count the tasks on the list of a desk."""
    ((count,),) = installation.ask("SELECT count(*) FROM schedules_maintenancetask")
    return int(count)


def test_beat_and_worker_raise_what_is_due_and_go_on_after_the_broker_was_away(
    installation: Installation,
) -> None:
    installation.script(OUR_MAINTENANCE)
    beat = celery("beat", "--loglevel", "INFO", "--schedule", str(installation.folder / "beat"))
    mark = "SELECT ran_at, said FROM schedules_clockmark WHERE task = 'schedules.raise_due'"
    with (
        redis(installation.folder, port_of(installation)) as broker,
        installation.running(*WORKER, ready="ready."),
        installation.running(*beat, ready="beat: Starting"),
    ):
        until(lambda: tasks_in(installation) == 1, explain=installation.log)
        ((ran_at, said),) = installation.ask(mark)
        assert ran_at
        assert "raised" in said
        broker.terminate()
        broker.wait(timeout=20)
        installation.script(OUR_MAINTENANCE)
        time.sleep(3)
        assert tasks_in(installation) == 1
        with redis(installation.folder, port_of(installation)):
            until(lambda: tasks_in(installation) == 2, explain=installation.log)
            before = installation.ask(mark)
            until(lambda: installation.ask(mark) != before, explain=installation.log)
            assert tasks_in(installation) == 2


def test_what_is_asked_for_after_a_change_is_done_by_the_worker(installation: Installation) -> None:
    with redis(installation.folder, port_of(installation)), installation.running(*WORKER, ready="ready."):
        installation.script(A_RULE)
        installation.script(FIT_A_PART)
        until(
            lambda: installation.ask("SELECT next_due_on FROM schedules_nextdue") == [("2025-05-04",)],
            explain=installation.log,
        )


def test_without_a_broker_the_page_works_and_the_clock_catches_up(installation: Installation) -> None:
    installation.script(A_RULE)
    output = installation.script(FIT_A_PART)
    assert "could not ask for schedules.plan_next_dues; the clock will catch up" in output
    output = installation.script(MOVE_A_SITE)
    assert "answered 302 us" in output
    assert "could not ask for schedules.raise_due; the clock will catch up" in output
    assert installation.ask("SELECT count(*) FROM schedules_nextdue") == [(0,)]
    assert "schedules.raise_due: 1 task raised" in installation.manage("clock", "--once")
    assert tasks_in(installation) == 1


RAISE_AS_BEAT_DOES = """
from celery import current_app
from django.conf import settings
(entry,) = [each for each in settings.CELERY_BEAT_SCHEDULE.values() if each["task"] == "schedules.raise_due"]
current_app.send_task(entry["task"], **entry["options"])
"""


@pytest.fixture
def hasty_installation(tmp_path: Path) -> Installation:
    """A desk whose broker soon hands out again what a killed worker had taken."""
    environment = {
        "REDIS_URL": f"redis://127.0.0.1:{free_port()}/0",
        "DJANGO_SETTINGS_MODULE": "tests.schedules.short_patience",
    }
    installation = Installation(tmp_path, environment)
    installation.make_tables()
    return installation


@pytest.mark.parametrize("second_is_there", [True, False], ids=["another worker is there", "one is started"])
def test_a_task_lost_with_a_killed_worker_is_done_soon_by_another(
    hasty_installation: Installation, *, second_is_there: bool
) -> None:
    installation = hasty_installation
    installation.script(OUR_MAINTENANCE)
    someone = sqlite3.connect(installation.folder / "sashkeep.sqlite3", timeout=20)
    with redis(installation.folder, port_of(installation)), closing(someone):
        with installation.running(*WORKER, "-n", "first@%h", ready="ready.") as first:
            someone.execute("BEGIN IMMEDIATE")  # somebody writes, so the task does not come to its end
            installation.script(RAISE_AS_BEAT_DOES)
            until(lambda: "Task schedules.raise_due" in installation.log(), explain=installation.log)
            time.sleep(1)
            first.send_signal(signal.SIGKILL)
            first.wait(timeout=20)
        someone.rollback()
        assert tasks_in(installation) == 0
        if not second_is_there:
            time.sleep(8)
        with installation.running(*WORKER, "-n", "second@%h", ready="ready."):
            until(lambda: tasks_in(installation) == 1, explain=installation.log, patience=30)


def test_what_comes_back_from_a_killed_worker_has_not_expired() -> None:
    patience = stored.CELERY_BROKER_TRANSPORT_OPTIONS["visibility_timeout"]
    assert patience <= 15 * 60
    for entry in stored.CELERY_BEAT_SCHEDULE.values():
        assert entry["options"]["expires"] >= 3 * patience, entry["task"]


A_WEEK = """
from datetime import timedelta
from django.contrib.auth.models import Group
from django.utils import timezone
from schedules import operations
from schedules.plans.weeks import monday_of
from tests.factories import SiteFactory, TaskFactory, UnitFactory, UserFactory
person = UserFactory()
person.groups.add(Group.objects.get_or_create(name='technician')[0])
today = timezone.localdate()
for number in range(4):
    unit = UnitFactory(site=SiteFactory(latitude=40 + number / 50, longitude=-74))
    TaskFactory(unit=unit, due_on=today, minutes=60)
monday = monday_of(today) + timedelta(days=7)
operations.ask_for_week(monday, horizon_days=7, by=None, at=timezone.now())
"""


def test_a_week_is_planned_by_the_worker(installation: Installation) -> None:
    with redis(installation.folder, port_of(installation)), installation.running(*WORKER, ready="ready."):
        installation.script(A_WEEK)
        until(
            lambda: installation.ask("SELECT stage, percent FROM schedules_weekplan") == [("done", 100)],
            explain=installation.log,
        )
    assert installation.ask("SELECT COUNT(*) FROM schedules_visit WHERE state = 'tentative'") == [(4,)]


def test_a_worker_knows_every_task_of_the_schedule(tmp_path: Path) -> None:
    output = Installation(tmp_path, {"DJANGO_SETTINGS_MODULE": "servicedesk.settings"}).script(
        "from celery import current_app\nfrom django.conf import settings\n"
        "current_app.loader.import_default_modules()\n"
        "scheduled = {entry['task'] for entry in settings.CELERY_BEAT_SCHEDULE.values()}\n"
        "print('unknown:', sorted(scheduled - set(current_app.tasks)))"
    )
    assert "unknown: []" in output
