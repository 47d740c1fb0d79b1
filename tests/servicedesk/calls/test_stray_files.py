"""What a process that died leaves of a photo is cleared up, and nothing else is."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as installation_settings
from django.db import InterfaceError, OperationalError, connection, transaction
from PIL import Image

from servicedesk.backup import backups
from servicedesk.calls.models import Photo
from servicedesk.calls.operations import add_photo
from servicedesk.calls.photo_files import Taken, photo_path, stored
from servicedesk.calls.stray_files import sweep_photo_files
from servicedesk.calls.thumbnails import make_thumbnails
from tests.factories import CallFactory

ROOT = Path(__file__).resolve().parents[3]
DIES = """
import django; django.setup()
import os, signal
from servicedesk.calls.photo_files import Taken, stored
with stored(Taken(b"a photo", 1, 1)):
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, settings: Any) -> Path:
    """Keep the photos of a test in a folder of its own, where those of a desk are kept."""
    settings.PHOTO_DIR = tmp_path / "photos"
    return tmp_path / "photos"


def now() -> datetime:
    """Tell the time by which files are dated."""
    return datetime.now(UTC)


def files(folder: Path) -> list[str]:
    """List the endings of the files in a folder."""
    return sorted("".join(path.suffixes) for path in folder.rglob("*") if path.is_file())


def a_photo_of(call: Any) -> Photo:
    """Add a photo to a call."""
    content = BytesIO()
    Image.new("RGB", (80, 60), "tan").save(content, "PNG")
    content.seek(0)
    return add_photo(call, content, size=len(content.getvalue()), by=None, at=now())


@pytest.mark.django_db
def test_a_photo_of_a_process_that_was_killed_goes_after_a_day(folder: Path, tmp_path: Path) -> None:
    env = {**os.environ, "SECRET_KEY": "tests-only", "DATA_DIR": str(tmp_path), "PYTHONPATH": str(ROOT)}
    env["DJANGO_SETTINGS_MODULE"] = "servicedesk.settings"
    assert subprocess.run([sys.executable, "-c", DIES], env=env).returncode == -signal.SIGKILL
    assert files(folder) == [".jpg", ".unsure"]
    assert sweep_photo_files(at=now() + timedelta(hours=23)) == 0
    assert files(folder) == [".jpg", ".unsure"]
    assert sweep_photo_files(at=now() + timedelta(hours=25)) == 1
    assert files(folder) == []


@pytest.mark.django_db(transaction=True)
def test_a_photo_whose_record_is_stored_stays_with_or_without_a_mark(folder: Path) -> None:
    photo = a_photo_of(CallFactory())
    make_thumbnails()
    assert files(folder) == [".jpg", ".small.jpg"]
    # Killed between the record and taking the mark away.
    photo_path(photo.name).with_suffix(".unsure").touch()
    assert sweep_photo_files(at=now() + timedelta(days=40)) == 0
    assert files(folder) == [".jpg", ".small.jpg"]


@pytest.mark.django_db(transaction=True)
def test_a_photo_of_a_larger_step_that_was_given_up_goes(folder: Path) -> None:
    call = CallFactory()
    with suppress(ZeroDivisionError), transaction.atomic():
        a_photo_of(call)
        raise ZeroDivisionError
    assert not Photo.objects.exists()
    assert sweep_photo_files(at=now() + timedelta(days=2)) == 1
    assert files(folder) == []


@pytest.mark.django_db
@pytest.mark.parametrize("error", [OperationalError, InterfaceError, ZeroDivisionError])
def test_a_photo_stays_marked_where_a_server_action_not_say_whether_it_was_stored(
    folder: Path, error: type[Exception]
) -> None:
    with pytest.raises(error), stored(Taken(b"a photo", 1, 1)):
        raise error
    in_doubt = connection.vendor == "postgresql" and error is not ZeroDivisionError
    assert files(folder) == ([".jpg", ".unsure"] if in_doubt else [])


@pytest.mark.django_db
def test_halves_go_and_a_photo_nobody_knows_stays(folder: Path) -> None:
    folder.mkdir()
    for name in ("ab.part", "ab.small.part", "unknown.jpg"):
        (folder / name).write_bytes(b"a photo")
    assert sweep_photo_files(at=now()) == 0
    assert sweep_photo_files(at=now() + timedelta(days=2)) == 2
    assert files(folder) == [".jpg"]


@pytest.mark.django_db(transaction=True)
def test_marks_and_halves_are_not_backed_up(folder: Path, tmp_path: Path) -> None:
    photo = a_photo_of(CallFactory())
    make_thumbnails()
    photo_path(photo.name).with_suffix(".unsure").touch()
    photo_path(photo.name).with_suffix(".part").touch()
    made = backups.make_backup(tmp_path / "backups", at=now())
    assert files(made.folder / "photos") == [".jpg", ".small.jpg"]


def test_the_clock_does_it() -> None:
    tasks = {entry["task"] for entry in installation_settings.CELERY_BEAT_SCHEDULE.values()}
    assert "calls.sweep_photo_files" in tasks
