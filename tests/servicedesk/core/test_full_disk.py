"""A full disk: the page says so and keeps the entries, a phone keeps its record, nothing is half."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg.errors
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import OperationalError, connection
from django.test import Client
from django.utils import timezone
from PIL import Image

from schedules.models import MaintenanceTask
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Call, PhoneRecord, Photo, Work
from servicedesk.core.rules.full_disk import is_full_disk
from tests.factories import CallFactory, SiteFactory, UnitFactory
from tests.schedules.planned_visits import told
from tests.servicedesk.imports.fleet_files import add_reference, run, some_fleet, write_files
from units.models import Unit


@pytest.fixture
def browser(technician: User) -> Client:
    """A browser that is shown the page of an error, as a real one is."""
    client = Client(raise_request_exception=False)
    client.force_login(technician)
    return client


@contextmanager
def no_room() -> Iterator[None]:
    """Let the SQLite file grow no further; SQLite answers SQLITE_FULL then, as on a full disk."""
    with connection.cursor() as cursor:
        cursor.execute("VACUUM")  # else what other tests deleted is room
        cursor.execute("PRAGMA page_count")
        (pages,) = cursor.fetchone()
        cursor.execute(f"PRAGMA max_page_count = {pages}")
    yield
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA max_page_count = 1073741823")


def a_call(idempotency_key: str) -> dict[str, Any]:
    """Fill in the form of a call, with more words than any page left in the file can hold."""
    return {
        "idempotency_key": idempotency_key,
        "reported_by": "Testa Person",
        "words": "sticks <b>at noon</b> " + "é" * 3_900,
        "symptom": "stiff",
        "urgency": "this_week",
    }


@pytest.mark.sqlite
def test_a_full_disk_says_so_keeps_the_entries_and_stores_nothing(
    user_with: Any, transactional_db: None
) -> None:
    site = SiteFactory()
    client = Client(raise_request_exception=False)
    client.force_login(user_with(Role.TECHNICIAN))
    idempotency_key = str(uuid4())
    with no_room():
        answer = client.post(f"/calls/log/{site.pk}/", a_call(idempotency_key))
    page = answer.content.decode()
    assert answer.status_code == 507
    assert "The disk of the server is full" in page
    assert f'name="idempotency_key" value="{idempotency_key}"' in page
    assert "sticks &lt;b&gt;at noon&lt;/b&gt;" in page
    assert "<b>at noon" not in page
    assert not Call.objects.exists()
    assert not MaintenanceTask.objects.exists()
    for _ in range(2):
        assert client.post(f"/calls/log/{site.pk}/", a_call(idempotency_key)).status_code == 302
    assert Call.objects.count() == 1


@pytest.mark.sqlite
def test_a_phone_is_told_to_keep_its_record(user_with: Any, transactional_db: None) -> None:
    unit = UnitFactory()
    client = Client(raise_request_exception=False)
    client.force_login(user_with(Role.TECHNICIAN))
    body = {"unit": unit.pk, "work": "cleaned", "done_on": str(timezone.localdate()), "note": "é" * 4_000}
    record = {"key": str(uuid4()), "kind": "work", "made_at": timezone.now().isoformat(), "body": body}

    def send() -> Any:
        return client.post("/field/inbox/", json.dumps(record), content_type="application/json")

    with no_room():
        answer = send()
    assert answer.status_code == 507
    assert answer.json()["state"] == "disk full"
    assert not PhoneRecord.objects.exists()
    assert not Work.objects.exists()
    assert send().status_code == 200


@pytest.mark.sqlite
def test_an_import_says_so_and_goes_on_once_there_is_room(tmp_path: Path, transactional_db: None) -> None:
    add_reference()
    units, history = some_fleet(60)
    paths = write_files(tmp_path, units=units, history=history)
    with no_room(), pytest.raises(CommandError, match="The disk is full"):
        run(paths)
    call_command("import_fleet", "--resume")
    run(paths)  # where there was no room for the files to be handed in, nothing could go on
    assert Unit.objects.count() == 60


@pytest.mark.django_db
def test_a_photo_without_room_leaves_no_half_file(
    browser: Client, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, settings: Any
) -> None:
    settings.PHOTO_DIR = tmp_path
    call, content = CallFactory(), BytesIO()
    Image.new("RGB", (80, 60), "tan").save(content, "PNG")

    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        photo = SimpleUploadedFile("p.png", content.getvalue(), "image/png")
        answer = browser.post(f"/calls/{call.pk}/photos/add/", {"idempotency_key": uuid4(), "photo": photo})
    assert answer.status_code == 507
    assert "choose them again" in told(answer.content)
    assert not Photo.objects.exists()
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


@pytest.mark.django_db
def test_a_password_is_not_repeated(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    client = Client(raise_request_exception=False)

    def full(*args: object, **kwargs: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("django.contrib.auth.views.LoginView.post", full)
    answer = client.post("/sign-in/", {"username": "ida", "password": "a secret of mine"})
    assert answer.status_code == 507
    assert "ida" in told(answer.content)
    assert "a secret of mine" not in told(answer.content)


@pytest.mark.django_db
def test_any_other_error_is_answered_as_before(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    client = Client(raise_request_exception=False)

    def broken(*args: object, **kwargs: object) -> None:
        raise ValueError("something else")

    monkeypatch.setattr("django.contrib.auth.views.LoginView.post", broken)
    answer = client.post("/sign-in/", {"username": "ida"})
    assert answer.status_code == 500
    assert "Something went wrong on our side" in told(answer.content)


@pytest.mark.parametrize(
    ("error", "full"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), True),
        (OSError(errno.EDQUOT, "Disk quota exceeded"), True),
        (OSError(errno.EACCES, "Permission denied"), False),
        (psycopg.errors.DiskFull("could not extend file"), True),
        (psycopg.errors.AdminShutdown("terminating connection"), False),
        (ValueError("full"), False),
    ],
    ids=["no room", "quota", "no rights", "postgres full", "postgres stopped", "other"],
)
def test_what_counts_as_a_full_disk_also_behind_another_error(error: Exception, full: bool) -> None:
    assert is_full_disk(error) is full
    outer = OperationalError(str(error))
    outer.__cause__ = error
    assert is_full_disk(outer) is full
