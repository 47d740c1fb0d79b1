"""What the desk tells whoever watches the machine."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from django.conf import settings as now
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from django.utils import timezone
from pytest_django.fixtures import Settings

from schedules.models import ClockMark
from servicedesk.office import health
from tests.schedules.installation import free_port, redis

pytestmark = pytest.mark.django_db


def test_alive_asks_the_database_nothing(client: Client, django_assert_num_queries: object) -> None:
    with django_assert_num_queries(0):  # type: ignore[operator]
        assert client.get("/alive/").json() == {"alive": True}


def test_ready_tells_of_database_clock_broker_and_disk(client: Client) -> None:
    answer = client.get("/ready/")
    assert answer.status_code == 200
    free = shutil.disk_usage(now.DATA_DIR).free
    assert answer.json() == {
        "database": True,
        "migrations": "applied",
        "clock": "late",
        "broker": "not used",
        "disk": "enough" if free >= 1024**3 else "low",
    }
    ClockMark.objects.create(task="x", ran_at=timezone.now())
    assert client.get("/ready/").json()["clock"] == "on time"


def test_a_database_older_than_the_code_is_not_ready(
    client: Client, caplog: pytest.LogCaptureFixture
) -> None:
    recorder = MigrationRecorder(connection)
    recorder.record_unapplied("accounts", "0001_initial")
    answer = client.get("/ready/")
    assert (answer.status_code, answer.json()["migrations"]) == (503, "missing")
    assert "migrations are missing: accounts 0001_initial" in caplog.text


def test_a_database_newer_than_the_code_is_ready(client: Client) -> None:
    MigrationRecorder(connection).record_applied("people", "9999_of_the_next_version")
    assert client.get("/ready/").status_code == 200


def test_a_missing_broker_is_told_and_no_reason_to_stop(
    client: Client, settings: Settings, tmp_path: Path
) -> None:
    port = free_port()
    settings.REDIS_URL = f"redis://127.0.0.1:{port}/0"
    answer = client.get("/ready/")
    assert (answer.status_code, answer.json()["broker"]) == (200, "away")
    with redis(tmp_path, port):
        assert client.get("/ready/").json()["broker"] == "reached"


def test_a_disk_that_fills_up_is_told(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    free = shutil.disk_usage(now.DATA_DIR).free
    monkeypatch.setattr(health, "LEAST_FREE_BYTES", free * 2)
    answer = client.get("/ready/")
    assert (answer.status_code, answer.json()["disk"]) == (200, "low")


def test_the_machine_itself_asks_without_https(client: Client, settings: Settings) -> None:
    settings.SECURE_SSL_REDIRECT = True
    assert client.get("/alive/").status_code == 200
    assert client.get("/ready/").status_code == 200
    assert client.get("/sign-in/").status_code == 301
