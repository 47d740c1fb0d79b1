"""What processes have loaded: numbers, routes, paper and pictures only where somebody asks for them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from django.conf import settings
from django.test import Client
from django.utils import timezone

from schedules.models import VisitTask
from servicedesk.accounts.models import User
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    FailureModeFactory,
    FindingFactory,
    InstalledPartFactory,
    OwnershipFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)
from tests.servicedesk.real_server import database_address

HEAVY = ("numpy", "scipy", "pandas", "pyvrp", "reportlab", "svglib", "lxml", "PIL", "segno")
"""Each takes a tenth of a second or more to load, or ten megabytes."""

SERVE = """
import json, sys
import servicedesk.wsgi
from django.conf import settings
from django.test import Client

pages, heavy = json.load(sys.stdin)
loaded = {}
for session, address in pages:
    client = Client()
    client.cookies[settings.SESSION_COOKIE_NAME] = session
    answer = client.get(address, headers={"host": "localhost"})
    assert answer.status_code == 200, (address, answer.status_code)
    assert answer.content
    loaded[address] = sorted(name for name in heavy if name in sys.modules)
print(json.dumps(loaded))
"""

TASKS = """
import django, json, sys
django.setup()
from servicedesk.core.database.on_commit import know_tasks
know_tasks()
_, heavy = json.load(sys.stdin)
print(json.dumps({"the clock": sorted(name for name in heavy if name in sys.modules)}))
"""

REFUSED = """
import django, json, sys
django.setup()
from django.core.management import CommandError, call_command
_, heavy = json.load(sys.stdin)
for arguments in (["none"], ["rates", "--by", "none"], ["rates", "--from", "yesterday"], ["rates", "--help"]):
    try:
        call_command("figures", *arguments, stdout=sys.stderr)
    except (CommandError, SystemExit):
        pass
    else:
        raise AssertionError(arguments)
print("\\n" + json.dumps({"figures": sorted(name for name in heavy if name in sys.modules)}))
"""


def loaded_by(script: str, folder: Path, pages: list[tuple[str, str]] | None = None) -> dict[str, list[str]]:
    """Run lines in a process that has read nothing yet; give the heavy modules loaded after each page."""
    env = {
        **os.environ,
        "DATABASE_URL": database_address(),
        "DATA_DIR": str(folder),
        "DEBUG": "on",
        "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
        "PYTHONPATH": str(settings.BASE_DIR),
        "REDIS_URL": "",
        "SECRET_KEY": settings.SECRET_KEY,
    }
    done = subprocess.run(
        [sys.executable, "-c", script],
        input=json.dumps([pages or [], HEAVY]),
        env=env,
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    modules: dict[str, list[str]] = json.loads(done.stdout.splitlines()[-1])
    return modules


def session_of(person: User) -> str:
    """Give the session of somebody who is signed in, as the cookie carries it."""
    client = Client()
    client.force_login(person)
    return client.cookies[settings.SESSION_COOKIE_NAME].value


@pytest.mark.django_db(transaction=True)
def test_pages_of_the_porch_and_the_office_load_nothing_heavy(
    tmp_path: Path, technician: User, scheduler: User, owner: User
) -> None:
    unit = UnitFactory()
    OwnershipFactory(site=unit.site)
    part = InstalledPartFactory(unit=unit, component_type=ComponentTypeFactory(kind="track"))
    mode = FailureModeFactory(kind="track", code="TRK-01", spares="rail")
    call = CallFactory(
        site=unit.site, unit=unit, symptom="stiff", task=TaskFactory(site=unit.site, unit=unit)
    )
    FindingFactory(unit=unit, installed_part=part, mode=mode, call=call, found_on=timezone.localdate())
    now = timezone.now()
    visit = VisitFactory(site=unit.site, starts_at=now, ends_at=now + timedelta(hours=1), state="confirmed")
    visit.technicians.add(technician)
    VisitTask.objects.create(visit=visit, task=call.task)
    pages = [
        (session_of(technician), address)
        for address in (
            "/",
            "/field/",
            f"/field/stops/{visit.pk}/",
            f"/field/units/{unit.pk}/",
            f"/units/{unit.pk}/",
        )
    ]
    pages += [
        (session_of(scheduler), address)
        for address in (
            "/",
            "/units/",
            "/customers/",
            "/calls/",
            f"/calls/{call.pk}/",
            f"/sites/{unit.site_id}/",
            "/due/",
            "/visits/",
            f"/visits/{visit.pk}/",
        )
    ]
    pages.append((session_of(owner), "/"))
    loaded = loaded_by(SERVE, tmp_path, pages)
    assert {address: heavy for address, heavy in loaded.items() if heavy} == {}


@pytest.mark.django_db(transaction=True)
def test_figures_load_what_they_need_when_they_are_asked_for(tmp_path: Path, owner: User) -> None:
    """The pages before would pass if the list named modules that nobody ever loads."""
    pages = [(session_of(owner), address) for address in ("/figures/rates/", "/figures/year/")]
    loaded = loaded_by(SERVE, tmp_path, pages)
    assert {"numpy", "scipy"} <= set(loaded["/figures/rates/"])


def test_the_clock_starts_light(tmp_path: Path) -> None:
    assert loaded_by(TASKS, tmp_path) == {"the clock": []}


@pytest.mark.django_db
def test_a_figure_that_is_refused_loads_no_numbers(tmp_path: Path) -> None:
    assert loaded_by(REFUSED, tmp_path) == {"figures": []}
