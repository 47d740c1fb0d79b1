"""The demo company moved from its SQLite file to PostgreSQL, and the desk that goes on there.

That both hold the same is checked with Django's own serializer, which the move doesn't use, and on the pages.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.schedules.installation import ROOT, Installation
from tests.servicedesk.backup.postgres_server import Server, postgres_server

pytestmark = [pytest.mark.sqlite, pytest.mark.long]  # the desks are of their own: once is enough

WITHOUT_STATIC = {"DEBUG": "True"}  # pages name static files without a list of them
TABLES = "SELECT name FROM sqlite_master WHERE type = 'table' AND substr(name, 1, 7) <> 'sqlite_'"
ODD_RECORDS = """
import math, uuid
from datetime import UTC, date, datetime, time
from django.utils import timezone
from django.contrib.auth.models import Permission
from django.test import Client
from django.db.models import JSONField, Value
from schedules.models import AgreedTime, WorkingDay
from schedules.operations.calendars import make_link
from servicedesk.calls.models import PhoneRecord
from servicedesk.accounts.models import User
from servicedesk.core.models import TableVersion
from servicedesk.reports.models import LotFlag
from units.models import ComponentType, Customer, Site
olive = User.objects.get(username='olive')
olive.user_permissions.add(*Permission.objects.all()[:3])
client = Client()
client.force_login(olive)
Customer.objects.create(name='Tab\\tand \\\\N and “quotes”', note='one\\ntwo\\r\\n\\\\. \\U0001f9f9 \\x1f ﬁ')
gone = Customer.objects.create(name='Gone again')
gone.delete()
PhoneRecord.objects.create(
    key=uuid.uuid4(), by=olive, kind='finding', fingerprint='f',
    made_at=datetime(1969, 7, 20, 20, 17, 40, 123456, UTC),
    received_at=datetime(9999, 12, 31, 23, 59, 59, 999999, UTC),
    payload={'z': 1, 'a': [1.0, 1e22, 0.1, -0.0, 12345678901234567890, None, True, 'é']},
    answer=Value(None, JSONField()),
)
for number, value in enumerate([5e-324, 1.7976931348623157e308, 0.1 + 0.2, math.inf, -1.5, 1e-7]):
    LotFlag.objects.create(
        component_type=ComponentType.objects.first(), lot=str(number), way='over-all',
        raised_on=date(1, 1, 1), cleared_on=date(9999, 12, 31), events=1, expected=value, failed_sites=1,
        items=2147483647, sites=1, years=value,
    )
AgreedTime.objects.create(
    site=Site.objects.first(), on=date(2026, 2, 3), earliest=time(8, 5), latest=time(9, 0, 0, 1)
)
WorkingDay.objects.get_or_create(person=olive, weekday=2)
print('secret', make_link(None, by=olive, at=timezone.now())[1])
"""
PAGES = """
import json
from django.conf import settings
from django.test import Client
from schedules.models import Visit
from servicedesk.accounts.models import User
from units.models import Customer, Unit
settings.ALLOWED_HOSTS = ['testserver']
client = Client()
client.force_login(User.objects.get(username='olive'))
unit, site = Unit.objects.order_by('code')[7], Unit.objects.order_by('code')[70].site
pages = ['/', '/figures/rates/', '/units/', f'/units/{unit.pk}/', f'/sites/{site.pk}/', '/customers/',
         '/parts-and-rules/', '/calendar/SECRET.ics', '/calendar/SECRET/due.ics']
answers = {page: client.get(page) for page in pages}
responses = {page: [each.status_code, each.content.decode()] for page, each in answers.items()}
print('PAGES', json.dumps(responses))
"""
GO_ON = """
from django.db import IntegrityError, transaction
from servicedesk.core.models import TableVersion
from tests.factories import UnitFactory
from units.models import Customer, InstalledPart
touches = TableVersion.objects.count()
unit = UnitFactory(code='U-new', site__code='S-new')
assert TableVersion.objects.count() > touches
print('NEW', Customer.objects.create(name='Next').pk)
installed_part = InstalledPart.objects.filter(removed_on__isnull=True).first()
try:
    with transaction.atomic():
        installed_part.unit.removed_on = installed_part.fitted_on
        installed_part.unit.save()
except IntegrityError as error:
    assert 'unit_removed_has_no_open_part' in str(error), error
else:
    raise AssertionError('the rule is off')
"""


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """The PostgreSQL server that stands beside."""
    with postgres_server() as postgres:
        yield postgres


@pytest.fixture(scope="module")
def tables(server: Server, demo: Installation) -> str:
    """A database with our tables and nothing in them, to make others like it."""
    name = server.database()
    on(server, name, demo).make_tables()
    return name


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Installation:
    """The demo company, and beside it values that databases like to hold differently."""
    installation = Installation(tmp_path_factory.mktemp("move") / "desk", WITHOUT_STATIC)
    installation.folder.mkdir()
    installation.make_tables()
    installation.manage("load_reference")
    manage(installation, "load_demo", "--folder", str(installation.folder / "demo-files"))
    installation.manage("keep_failure_log")
    secret = re.findall(r"secret (\S+)", installation.script(ODD_RECORDS))[0]
    (installation.folder / "secret").write_text(secret)
    return installation


@pytest.fixture
def copy(demo: Installation, tmp_path: Path) -> Installation:
    """A copy of the demo company, to be written to."""
    installation = Installation(tmp_path / "copy", WITHOUT_STATIC)
    installation.folder.mkdir()
    shutil.copy(demo.folder / "sashkeep.sqlite3", installation.folder)
    return installation


def manage(installation: Installation, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command that may take minutes on a busy machine."""
    command = [sys.executable, "manage.py", *arguments]
    done = subprocess.run(
        command, cwd=ROOT, env=installation.environment, capture_output=True, text=True, timeout=900
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done


def on(server: Server, database: str, installation: Installation) -> Installation:
    """The desk with the database it was moved to."""
    return Installation(
        installation.folder, {**installation.settings, "DATABASE_URL": server.address(database)}
    )


def records(installation: Installation, to: Path) -> dict[tuple[str, str], Any]:
    """Write all records down with Django's serializer, and answer them by model and key."""
    manage(installation, "dumpdata", "--all", "--format", "jsonl", "--output", str(to))
    by_key = {}
    for line in to.read_text().splitlines():
        each = json.loads(line)
        fields = {
            name: sorted(value) if isinstance(value, list) and name in {"groups", "expected_on"} else value
            for name, value in each["fields"].items()
        }
        by_key[each["model"], str(each["pk"])] = fields
    return by_key


def pages(installation: Installation) -> dict[str, Any]:
    """Ask for some pages, signed in as the owner, and leave out what is made by chance."""
    secret = (installation.folder / "secret").read_text()
    output = installation.script(PAGES.replace("SECRET", secret))
    responses: dict[str, Any] = json.loads(re.findall(r"^PAGES (.*)$", output, re.MULTILINE)[0])
    assert {status for status, _ in responses.values()} == {200}
    token = re.compile(r'(csrfmiddlewaretoken" value="|X-CSRFToken": ")[^"]*')
    idempotency_key = re.compile(r'(name="idempotency_key"[^>]*value=")[^"]*')
    return {page: idempotency_key.sub(r"\1", token.sub(r"\1", text)) for page, (_, text) in responses.items()}


def start(installation: Installation, address: str) -> subprocess.Popen[str]:
    """Begin a move that says each table it copied, and wait until it is in the middle."""
    moving = subprocess.Popen(
        [sys.executable, "manage.py", "move_to", address, "-v", "2"],
        cwd=ROOT,
        env=installation.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert moving.stdout
    for line in moving.stdout:
        if line.startswith("units_installedpart: "):
            return moving
    raise AssertionError("it ended before")


def test_the_demo_company_goes_on_after_the_move(server: Server, demo: Installation, tmp_path: Path) -> None:
    file = demo.folder / "sashkeep.sqlite3"
    before = hashlib.sha256(file.read_bytes()).hexdigest()
    old = records(demo, tmp_path / "old.jsonl")
    database = server.database()
    output = manage(demo, "move_to", server.address(database)).stdout
    print(output)  # noqa: T201 - shown when something below fails
    assert re.search(r"^units_installedpart +9,\d\d\d  same$", output, re.MULTILINE)
    tables = set(re.findall(r"^(\w+) +[\d,]+  same$", output, re.MULTILINE))
    in_file = {name for (name,) in demo.ask(TABLES)}
    assert tables == in_file - {"django_migrations"}
    assert "set DATABASE_URL" in output
    assert hashlib.sha256(file.read_bytes()).hexdigest() == before
    moved = on(server, database, demo)
    new = records(moved, tmp_path / "new.jsonl")
    assert len(new) > 40_000
    assert [key for key in old if old[key] != new.get(key)] == []
    assert len(old) == len(new)
    assert pages(moved) == pages(demo)
    figures = ["figures", "rates", "--json"]
    assert json.loads(manage(moved, *figures).stdout) == json.loads(manage(demo, *figures).stdout)
    off = "SELECT COUNT(*) FROM pg_trigger WHERE tgenabled <> 'O'"
    assert server.ask(off, database=database) == [(0,)]
    [(last,)] = demo.ask("SELECT seq FROM sqlite_sequence WHERE name = 'units_customer'")
    said = moved.script(GO_ON)
    # The greatest key of all was that of a customer who is gone; no key is used twice.
    assert int(re.findall(r"^NEW (\d+)$", said, re.MULTILINE)[0]) > last
    assert "holds records already" in demo.refused("move_to", server.address(database))


def test_a_move_killed_in_the_middle_leaves_no_records(
    server: Server, tables: str, copy: Installation
) -> None:
    database = server.database(like=tables)
    moving = start(copy, server.address(database))
    moving.kill()
    moving.communicate()
    assert server.rows(database) == {}
    assert "all the same" in manage(copy, "move_to", server.address(database)).stdout
    assert server.rows(database)["units_unit"] > 600


def test_nobody_writes_to_the_file_in_the_middle(server: Server, tables: str, copy: Installation) -> None:
    database = server.database(like=tables)
    moving = start(copy, server.address(database))
    with (
        sqlite3.connect(copy.folder / "sashkeep.sqlite3", timeout=0) as connection,
        pytest.raises(sqlite3.OperationalError, match="locked"),
    ):
        connection.execute("UPDATE units_customer SET note = 'rang meanwhile' WHERE id = 7")
    said, _ = moving.communicate(timeout=900)
    assert moving.returncode == 0, said
