"""Backups made while the desk is written to, brought back whole, and refused when they are not."""

from __future__ import annotations

import json
import os
import resource
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from threading import Event, Thread
from uuid import uuid4

import psycopg
import pytest
from django.db import connection

from tests.schedules.installation import ROOT, Installation

pytestmark = [pytest.mark.django_db, pytest.mark.long]

SOME_RECORDS = """
from io import BytesIO
from django.utils import timezone
from PIL import Image
from tests.factories import CallFactory, UnitFactory, UserFactory
from servicedesk.calls.operations import add_photo
UserFactory(username='olive')
for number in range(20):
    UnitFactory(code=f'U-{number}')
content = BytesIO()
Image.new('RGB', (40, 30), 'tan').save(content, 'PNG')
add_photo(CallFactory(), BytesIO(content.getvalue()), size=content.tell(), by=None, at=timezone.now())
"""
WRITE_ON = """
import time
from units.models import Customer
end = time.monotonic() + 6
while time.monotonic() < end:
    Customer.objects.create(name='Probeson')
"""
COUNT = "from units.models import Customer, Unit\nprint(Unit.objects.count(), Customer.objects.count())"


@pytest.fixture(
    params=[pytest.param(name, marks=getattr(pytest.mark, name)) for name in ("sqlite", "postgres")]
)
def installation(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Installation]:
    """A desk of its own with some records, on a database of its own."""
    if request.param == "sqlite":
        made = Installation(tmp_path / "desk")
        made.folder.mkdir()
        made.make_tables()
        made.script(SOME_RECORDS)
        yield made
        return
    db_settings = connection.settings_dict
    name = f"backup_{uuid4().hex[:12]}"
    where = (
        f"host={db_settings['HOST'] or '127.0.0.1'} user={db_settings['USER'] or 'postgres'} dbname=postgres"
    )
    with psycopg.connect(where, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
    try:
        address = (
            f"postgres://{db_settings['USER'] or 'postgres'}@{db_settings['HOST'] or '127.0.0.1'}/{name}"
        )
        made = Installation(tmp_path / "desk", {"DATABASE_URL": address})
        made.folder.mkdir()
        made.make_tables()
        made.script(SOME_RECORDS)
        yield made
    finally:
        with psycopg.connect(where, autocommit=True) as server:
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")


def photo_in(folder: Path) -> Path:
    """Find the one photo, beside which its small picture lies."""
    [photo] = (path for path in (folder / "photos").rglob("*.jpg") if ".small" not in path.suffixes)
    return photo


def one_in(folder: Path) -> Path:
    """Give the only backup of a folder."""
    [backup] = folder.glob("sashkeep-*")
    return backup


def test_a_backup_made_under_writes_comes_back_whole(installation: Installation, tmp_path: Path) -> None:
    backups = tmp_path / "backups"
    writer = subprocess.Popen(
        [sys.executable, "-c", f"import django; django.setup()\n{WRITE_ON}"],
        cwd=ROOT,
        env=installation.environment,
    )
    try:
        said = installation.manage("back_up", str(backups))
    finally:
        writer.wait(timeout=60)
    backup = one_in(backups)
    assert f"{backup}: " in said
    rows = json.loads((backup / "manifest.json").read_text())["rows"]
    assert rows["units_unit"] == 20
    installation.script(
        "from units.models import Unit\nUnit.objects.filter(code='U-3').update(code='U-changed')"
    )
    photo = photo_in(installation.folder)
    photo.unlink()
    photo.write_bytes(b"spoilt by a failing disk")
    assert "is whole" in installation.manage("restore", str(backup), "--check")
    assert "Say --replace" in installation.refused("restore", str(backup))
    assert "is back" in installation.manage("restore", str(backup), "--replace")
    assert installation.script(COUNT).split() == ["20", str(rows["units_customer"])]
    assert "True" in installation.script(
        "from units.models import Unit\nprint(Unit.objects.filter(code='U-3').exists())"
    )
    assert (
        photo.read_bytes()
        == (backup / "photos" / photo.relative_to(installation.folder / "photos")).read_bytes()
    )


@pytest.mark.sqlite
def test_a_backup_ends_though_somebody_writes_all_the_time_and_nobody_waits(tmp_path: Path) -> None:
    """A file of 100 MB, to which another connection writes a hundred times a second."""
    installation = Installation(tmp_path / "desk")
    installation.folder.mkdir()
    installation.make_tables()
    file = installation.folder / "sashkeep.sqlite3"
    with closing(sqlite3.connect(file, isolation_level=None)) as filler:
        filler.execute("CREATE TABLE padding (id INTEGER PRIMARY KEY, x BLOB)")
        filler.execute(
            "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 25000)"
            " INSERT INTO padding SELECT i, randomblob(4000) FROM n"
        )
    over, waits = Event(), [0.0]

    def write() -> None:
        with closing(sqlite3.connect(file, timeout=20, isolation_level=None)) as writer:
            while not over.wait(0.01):
                begun = time.monotonic()
                writer.execute("UPDATE padding SET x = randomblob(4000) WHERE id = ?", [len(waits)])
                waits.append(time.monotonic() - begun)

    thread = Thread(target=write)
    thread.start()
    try:
        installation.patience = 60
        installation.manage("back_up", str(tmp_path / "backups"))
    finally:
        over.set()
        thread.join()
    assert max(waits) < 2
    copy = one_in(tmp_path / "backups") / "database.sqlite3"
    with closing(sqlite3.connect(copy)) as there:
        assert there.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert there.execute("SELECT COUNT(*) FROM padding").fetchone() == (25000,)


def test_a_broken_backup_touches_nothing(installation: Installation, tmp_path: Path) -> None:
    backups = tmp_path / "backups"
    installation.manage("back_up", str(backups))
    backup = one_in(backups)
    before = installation.script(COUNT)
    [database] = backup.glob("database.*")
    whole = database.read_bytes()
    for harm, words in (
        (whole[: len(whole) // 2], "is broken"),
        (whole[:-1] + bytes([whole[-1] ^ 1]), "is broken"),
    ):
        database.write_bytes(harm)
        assert words in installation.refused("restore", str(backup), "--replace")
    database.write_bytes(whole)
    (backup / "stray").write_text("x")
    assert "is not in the manifest" in installation.refused("restore", str(backup), "--replace")
    (backup / "stray").unlink()
    photo = photo_in(backup)
    content = photo.read_bytes()
    photo.unlink()
    assert "is missing" in installation.refused("restore", str(backup), "--replace")
    photo.write_bytes(content)
    manifest = backup / "manifest.json"
    data = json.loads(manifest.read_text())
    away = {**data, "files": {**data["files"], "../secret_key": {"size": 0, "sha256": ""}}}
    manifest.write_text(json.dumps(away))
    assert "is missing" in installation.refused("restore", str(backup), "--replace")
    manifest.write_text(json.dumps(data))
    photo.rename(backup / "elsewhere")
    photo.symlink_to(backup / "elsewhere")
    assert f"{photo} is a link" in installation.refused("restore", str(backup), "--replace")
    photo.unlink()
    (backup / "elsewhere").rename(photo)
    data["migrations"].append("units.9999_from_the_future")
    manifest.write_text(json.dumps(data))
    assert "made by a newer version" in installation.refused("restore", str(backup), "--replace")
    manifest.write_text("{")
    assert "holds no backup" in installation.refused("restore", str(backup), "--replace")
    assert installation.script(COUNT) == before


def much(installation: Installation, name: str) -> None:
    """Fill the register with many customers of one name."""
    installation.script(
        "from units.models import Customer\n"
        f"Customer.objects.bulk_create(Customer(name='{name}', note='x' * 900) for _ in range(4000))"
    )


def state(installation: Installation) -> tuple[int, int]:
    """Count the customers before and after the backup, in a file that is sound."""
    assert installation.ask("PRAGMA integrity_check") == [("ok",)]
    [row] = installation.ask("SELECT SUM(name = 'early'), SUM(name = 'late') FROM units_customer")
    return row[0], row[1]


@pytest.mark.sqlite
def test_a_restore_that_is_killed_or_finds_no_room_leaves_the_old_or_the_new(tmp_path: Path) -> None:
    installation = Installation(tmp_path / "desk")
    installation.folder.mkdir()
    installation.make_tables()
    installation.script("from tests.factories import UserFactory\nUserFactory()")
    much(installation, "early")
    installation.manage("back_up", str(tmp_path / "backups"))
    backup = one_in(tmp_path / "backups")
    much(installation, "late")
    old, new = (4000, 4000), (4000, 0)
    assert state(installation) == old
    command = [sys.executable, "manage.py", "restore", str(backup), "--replace"]
    room = (backup / "database.sqlite3").stat().st_size // 2

    def little_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    done = subprocess.run(
        command,
        cwd=ROOT,
        env=installation.environment,
        capture_output=True,
        text=True,
        preexec_fn=little_room,
    )
    assert done.returncode == 1
    assert "which is as it was. See that the disk has room" in done.stderr
    assert state(installation) == old
    log = installation.folder / "sashkeep.sqlite3-wal"
    restoring = subprocess.Popen(command, cwd=ROOT, env=installation.environment)
    while restoring.poll() is None:
        if log.exists() and log.stat().st_size > room // 4:
            restoring.kill()
            break
        time.sleep(0.002)
    restoring.wait()
    assert state(installation) in {old, new}
    installation.manage("restore", str(backup), "--replace")
    assert state(installation) == new


def test_a_backup_of_an_older_version_comes_back_into_a_newer_desk(
    installation: Installation, tmp_path: Path
) -> None:
    installation.script("from tests.factories import UserFactory\nUserFactory(username='before')")
    installation.manage("back_up", str(tmp_path / "backups"))
    backup = one_in(tmp_path / "backups")
    # What an upgrade does: a table that points at one of the backup's, and a row in it.
    installation.script(
        "from django.db import connection\n"
        "from servicedesk.accounts.models import User\n"
        "cursor = connection.cursor()\n"
        "cursor.execute('CREATE TABLE office_later (user_id bigint REFERENCES accounts_user (id))')\n"
        "cursor.execute('INSERT INTO office_later SELECT id FROM accounts_user')\n"
        "User.objects.filter(username='before').update(username='after')"
    )
    assert "is back" in installation.manage("restore", str(backup), "--replace")
    output = installation.script(
        "from django.db import connection\n"
        "from servicedesk.accounts.models import User\n"
        "users = User.objects.filter(username__in=['before', 'after'])\n"
        "print(list(users.values_list('username', flat=True)))\n"
        "print('office_later' in connection.introspection.table_names())"
    )
    assert output.split() == ["['before']", "False"]


@pytest.mark.sqlite
def test_old_backups_are_thrown_away(tmp_path: Path) -> None:
    installation = Installation(tmp_path)
    installation.make_tables()
    backups = tmp_path / "backups"
    for number in range(3):
        old = backups / f"sashkeep-2020010{number}-000000"
        old.mkdir(parents=True)
        (old / "manifest.json").write_text("{}")
    (backups / "sashkeep-notes").mkdir()
    broken_off, under_way = (
        backups / ".sashkeep-20200109-000000.part",
        backups / ".sashkeep-20200110-000000.part",
    )
    for half in (broken_off, under_way):
        half.mkdir()
    os.utime(broken_off, (time.time() - 2 * 24 * 3600,) * 2)
    said = installation.manage("back_up", str(backups), "--keep", "2")
    assert said.count("thrown away") == 3
    assert (broken_off.exists(), under_way.exists()) == (False, True)
    assert len(list(backups.glob("sashkeep-20*"))) == 2
    assert (backups / "sashkeep-notes").exists()
    assert "Keep one" in installation.refused("back_up", str(backups), "--keep", "0")


WATCHED = """
import os
from pathlib import Path
from django.core.management import call_command
from servicedesk.backup import backups
settled, sync = [], os.fsync
def watch(opened):
    settled.append(os.fstat(opened).st_ino)
    sync(opened)
backups.os.fsync = watch
rename = Path.rename
def renamed(self, target):
    if self.suffix == '.part' and self.name.startswith('.sashkeep'):
        print(sorted(set(path.stat().st_ino for path in self.rglob('*')) - set(settled)), len(settled))
    return rename(self, target)
Path.rename = renamed
call_command('back_up', {folder!r})
"""


@pytest.mark.sqlite
def test_a_backup_is_on_the_disk_before_it_has_its_name(tmp_path: Path) -> None:
    installation = Installation(tmp_path / "desk")
    installation.folder.mkdir()
    installation.make_tables()
    installation.script(SOME_RECORDS)
    line = installation.script(WATCHED.format(folder=str(tmp_path / "backups"))).splitlines()[0]
    missed, settled = line.rsplit(" ", 1)
    assert missed == "[]"
    assert int(settled) >= len([path for path in one_in(tmp_path / "backups").rglob("*") if path.is_file()])


@pytest.mark.sqlite
def test_a_backup_of_another_database_is_refused(tmp_path: Path) -> None:
    installation = Installation(tmp_path)
    installation.make_tables()
    installation.manage("back_up", str(tmp_path / "backups"))
    backup = one_in(tmp_path / "backups")
    manifest = backup / "manifest.json"
    data = json.loads(manifest.read_text())
    data["files"]["database.dump"] = data["files"].pop("database.sqlite3")
    (backup / "database.sqlite3").rename(backup / "database.dump")
    manifest.write_text(json.dumps({**data, "vendor": "postgresql"}))
    assert "set DATABASE_URL" in installation.refused("restore", str(backup))


BACK_UP_TWICE = """
import subprocess, sys
from pathlib import Path
from django.conf import settings
from servicedesk.backup import backups, tasks
make, said = backups.make_backup, []
def make_slowly(folder, **told):
    script = "import django; django.setup(); from servicedesk.backup import tasks; print(tasks.back_up())"
    said.append(subprocess.run([sys.executable, "-c", script], capture_output=True, text=True).stdout)
    return make(folder, **told)
backups.make_backup = make_slowly
print(tasks.back_up())
print("meanwhile:", *said)
"""


def test_a_nightly_backup_handed_out_twice_is_made_once(installation: Installation, tmp_path: Path) -> None:
    # What takes longer than the broker waits is handed to a second worker while it runs.
    installation.settings |= {"BACKUP_DIR": str(tmp_path / "backups"), "BACKUP_KEEP": "1"}
    said = installation.script(BACK_UP_TWICE)
    assert "made, 0 old ones thrown away" in said
    assert "meanwhile: another backup is being made" in said
    assert one_in(tmp_path / "backups")
