"""Backups made while the desk is written to, brought back whole, and refused when they are not."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from django.db import connection

from tests.schedules.desk import ROOT, Desk

pytestmark = pytest.mark.django_db

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


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def desk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Desk]:
    """A desk of its own with some records, on a database of its own."""
    if request.param == "sqlite":
        made = Desk(tmp_path / "desk")
        made.folder.mkdir()
        made.manage("migrate", "-v", "0")
        made.script(SOME_RECORDS)
        yield made
        return
    told = connection.settings_dict
    name = f"backup_{uuid4().hex[:12]}"
    where = f"host={told['HOST'] or '127.0.0.1'} user={told['USER'] or 'postgres'} dbname=postgres"
    with psycopg.connect(where, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
    try:
        address = f"postgres://{told['USER'] or 'postgres'}@{told['HOST'] or '127.0.0.1'}/{name}"
        made = Desk(tmp_path / "desk", {"DATABASE_URL": address})
        made.folder.mkdir()
        made.manage("migrate", "-v", "0")
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
    [found] = folder.glob("sashkeep-*")
    return found


def test_a_backup_made_under_writes_comes_back_whole(desk: Desk, tmp_path: Path) -> None:
    backups = tmp_path / "backups"
    writer = subprocess.Popen(
        [sys.executable, "-c", f"import django; django.setup()\n{WRITE_ON}"], cwd=ROOT, env=desk.environment
    )
    try:
        said = desk.manage("back_up", str(backups))
    finally:
        writer.wait(timeout=60)
    backup = one_in(backups)
    assert f"{backup}: " in said
    rows = json.loads((backup / "manifest.json").read_text())["rows"]
    assert rows["units_unit"] == 20
    desk.script("from units.models import Unit\nUnit.objects.filter(code='U-3').update(code='U-changed')")
    photo = photo_in(desk.folder)
    photo.unlink()
    photo.write_bytes(b"spoilt by a failing disk")
    assert "is whole" in desk.manage("restore", str(backup), "--check")
    assert "Say --replace" in desk.refused("restore", str(backup))
    assert "is back" in desk.manage("restore", str(backup), "--replace")
    assert desk.script(COUNT).split() == ["20", str(rows["units_customer"])]
    assert "True" in desk.script(
        "from units.models import Unit\nprint(Unit.objects.filter(code='U-3').exists())"
    )
    assert photo.read_bytes() == (backup / "photos" / photo.relative_to(desk.folder / "photos")).read_bytes()


def test_a_broken_backup_touches_nothing(desk: Desk, tmp_path: Path) -> None:
    backups = tmp_path / "backups"
    desk.manage("back_up", str(backups))
    backup = one_in(backups)
    before = desk.script(COUNT)
    [database] = backup.glob("database.*")
    whole = database.read_bytes()
    for harm, words in (
        (whole[: len(whole) // 2], "is broken"),
        (whole[:-1] + bytes([whole[-1] ^ 1]), "is broken"),
    ):
        database.write_bytes(harm)
        assert words in desk.refused("restore", str(backup), "--replace")
    database.write_bytes(whole)
    (backup / "stray").write_text("x")
    assert "is not in the manifest" in desk.refused("restore", str(backup), "--replace")
    (backup / "stray").unlink()
    photo = photo_in(backup)
    kept = photo.read_bytes()
    photo.unlink()
    assert "is missing" in desk.refused("restore", str(backup), "--replace")
    photo.write_bytes(kept)
    manifest = backup / "manifest.json"
    told = json.loads(manifest.read_text())
    away = {**told, "files": {**told["files"], "../secret_key": {"size": 0, "sha256": ""}}}
    manifest.write_text(json.dumps(away))
    assert "is missing" in desk.refused("restore", str(backup), "--replace")
    manifest.write_text(json.dumps(told))
    photo.rename(backup / "elsewhere")
    photo.symlink_to(backup / "elsewhere")
    assert f"{photo} is a link" in desk.refused("restore", str(backup), "--replace")
    photo.unlink()
    (backup / "elsewhere").rename(photo)
    told["migrations"].append("units.9999_from_the_future")
    manifest.write_text(json.dumps(told))
    assert "made by a newer version" in desk.refused("restore", str(backup), "--replace")
    manifest.write_text("{")
    assert "holds no backup" in desk.refused("restore", str(backup), "--replace")
    assert desk.script(COUNT) == before


def much(desk: Desk, name: str) -> None:
    """Fill the register with many customers of one name."""
    desk.script(
        "from units.models import Customer\n"
        f"Customer.objects.bulk_create(Customer(name='{name}', note='x' * 900) for _ in range(4000))"
    )


def state(desk: Desk) -> tuple[int, int]:
    """Count the customers before and after the backup, in a file that is sound."""
    assert desk.ask("PRAGMA integrity_check") == [("ok",)]
    [found] = desk.ask("SELECT SUM(name = 'early'), SUM(name = 'late') FROM units_customer")
    return found[0], found[1]


@pytest.mark.sqlite
def test_a_restore_that_is_killed_or_finds_no_room_leaves_the_old_or_the_new(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "desk")
    desk.folder.mkdir()
    desk.manage("migrate", "-v", "0")
    desk.script("from tests.factories import UserFactory\nUserFactory()")
    much(desk, "early")
    desk.manage("back_up", str(tmp_path / "backups"))
    backup = one_in(tmp_path / "backups")
    much(desk, "late")
    old, new = (4000, 4000), (4000, 0)
    assert state(desk) == old
    command = [sys.executable, "manage.py", "restore", str(backup), "--replace"]
    room = (backup / "database.sqlite3").stat().st_size // 2

    def little_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    done = subprocess.run(
        command, cwd=ROOT, env=desk.environment, capture_output=True, text=True, preexec_fn=little_room
    )
    assert done.returncode == 1
    assert "which is as it was. See that the disk has room" in done.stderr
    assert state(desk) == old
    log = desk.folder / "sashkeep.sqlite3-wal"
    restoring = subprocess.Popen(command, cwd=ROOT, env=desk.environment)
    while restoring.poll() is None:
        if log.exists() and log.stat().st_size > room // 4:
            restoring.kill()
            break
        time.sleep(0.002)
    restoring.wait()
    assert state(desk) in {old, new}
    desk.manage("restore", str(backup), "--replace")
    assert state(desk) == new


def test_a_backup_of_an_older_version_comes_back_into_a_newer_desk(desk: Desk, tmp_path: Path) -> None:
    desk.manage("migrate", "-v", "0")
    desk.script("from tests.factories import UserFactory\nUserFactory(username='before')")
    desk.manage("back_up", str(tmp_path / "backups"))
    backup = one_in(tmp_path / "backups")
    # What an upgrade does: a table that points at one of the backup's, and a row in it.
    desk.script(
        "from django.db import connection\n"
        "from servicedesk.people.models import User\n"
        "cursor = connection.cursor()\n"
        "cursor.execute('CREATE TABLE office_later (user_id bigint REFERENCES people_user (id))')\n"
        "cursor.execute('INSERT INTO office_later SELECT id FROM people_user')\n"
        "User.objects.filter(username='before').update(username='after')"
    )
    assert "is back" in desk.manage("restore", str(backup), "--replace")
    told = desk.script(
        "from django.db import connection\n"
        "from servicedesk.people.models import User\n"
        "found = User.objects.filter(username__in=['before', 'after'])\n"
        "print(list(found.values_list('username', flat=True)))\n"
        "print('office_later' in connection.introspection.table_names())"
    )
    assert told.split() == ["['before']", "False"]


def test_old_backups_are_thrown_away(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.manage("migrate", "-v", "0")
    backups = tmp_path / "backups"
    for number in range(3):
        old = backups / f"sashkeep-2020010{number}-000000"
        old.mkdir(parents=True)
        (old / "manifest.json").write_text("{}")
    (backups / "sashkeep-notes").mkdir()
    said = desk.manage("back_up", str(backups), "--keep", "2")
    assert said.count("thrown away") == 2
    assert len(list(backups.glob("sashkeep-20*"))) == 2
    assert (backups / "sashkeep-notes").exists()
    assert "Keep one" in desk.refused("back_up", str(backups), "--keep", "0")


WATCHED = """
import os
from pathlib import Path
from django.core.management import call_command
from servicedesk.office import backups
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
    desk = Desk(tmp_path / "desk")
    desk.folder.mkdir()
    desk.manage("migrate", "-v", "0")
    desk.script(SOME_RECORDS)
    told = desk.script(WATCHED.format(folder=str(tmp_path / "backups"))).splitlines()[0]
    missed, settled = told.rsplit(" ", 1)
    assert missed == "[]"
    assert int(settled) >= len([path for path in one_in(tmp_path / "backups").rglob("*") if path.is_file()])


def test_a_backup_of_another_database_is_refused(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.manage("migrate", "-v", "0")
    desk.manage("back_up", str(tmp_path / "backups"))
    backup = one_in(tmp_path / "backups")
    manifest = backup / "manifest.json"
    told = json.loads(manifest.read_text())
    told["files"]["database.dump"] = told["files"].pop("database.sqlite3")
    (backup / "database.sqlite3").rename(backup / "database.dump")
    manifest.write_text(json.dumps({**told, "vendor": "postgresql"}))
    assert "set DATABASE_URL" in desk.refused("restore", str(backup))
