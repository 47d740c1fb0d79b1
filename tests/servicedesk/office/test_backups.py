"""Backups made while the desk is written to, brought back whole, and refused when they are not."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
from django.db import connection
from django.test import Client

from schedules.models import ClockMark
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


def refused(desk: Desk, *arguments: str) -> str:
    """Run a command that must refuse, and give what it says."""
    done = subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env=desk.environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 1, done.stdout
    return done.stderr


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
    [photo] = (desk.folder / "photos").rglob("*.jpg")
    photo.unlink()
    assert "is whole" in desk.manage("restore", str(backup), "--check")
    assert "Say --replace" in refused(desk, "restore", str(backup))
    assert "is back" in desk.manage("restore", str(backup), "--replace")
    assert desk.script(COUNT).split() == ["20", str(rows["units_customer"])]
    assert "True" in desk.script(
        "from units.models import Unit\nprint(Unit.objects.filter(code='U-3').exists())"
    )
    assert photo.exists()


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
        assert words in refused(desk, "restore", str(backup), "--replace")
    database.write_bytes(whole)
    (backup / "stray").write_text("x")
    assert "is not in the manifest" in refused(desk, "restore", str(backup), "--replace")
    (backup / "stray").unlink()
    [photo] = (backup / "photos").rglob("*.jpg")
    kept = photo.read_bytes()
    photo.unlink()
    assert "is missing" in refused(desk, "restore", str(backup), "--replace")
    photo.write_bytes(kept)
    manifest = backup / "manifest.json"
    told = json.loads(manifest.read_text())
    told["migrations"].append("units.9999_from_the_future")
    manifest.write_text(json.dumps(told))
    assert "made by a newer version" in refused(desk, "restore", str(backup), "--replace")
    manifest.write_text("{")
    assert "holds no backup" in refused(desk, "restore", str(backup), "--replace")
    assert desk.script(COUNT) == before


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
    assert "Keep one" in refused(desk, "back_up", str(backups), "--keep", "0")


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
    assert "set DATABASE_URL" in refused(desk, "restore", str(backup))


def test_whoever_watches_the_machine_is_told(client: Client) -> None:
    assert client.get("/alive/").json() == {"alive": True}
    assert client.get("/ready/").json() == {"database": True, "clock": "late"}
    from django.utils import timezone

    ClockMark.objects.create(task="x", ran_at=timezone.now())
    assert client.get("/ready/").json() == {"database": True, "clock": "on time"}
