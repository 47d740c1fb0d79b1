"""What is to be done periodically is known to every process that may be asked for it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
UNKNOWN = """
import django; django.setup()
from celery import current_app
from django.conf import settings
current_app.loader.import_default_modules()
known = set(current_app.tasks)
print(sorted({each["task"] for each in settings.CELERY_BEAT_SCHEDULE.values()} - known))
"""
ASKED = """
import django; django.setup()
import servicedesk.urls
from django.conf import settings
from servicedesk.core.database.on_commit import enqueue_on_commit
tasks = "calls.make_thumbnails schedules.raise_due reports.run_surveillance imports.resume_imports"
for each in tasks.split():
    enqueue_on_commit(each)
"""


def in_fresh_process(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a few lines in a process that has read nothing yet."""
    env = {**os.environ, "SECRET_KEY": "tests-only", "DATA_DIR": str(folder)}
    env |= {"DJANGO_SETTINGS_MODULE": "servicedesk.settings", "PYTHONPATH": str(ROOT)}
    env.pop("REDIS_URL", None)
    return subprocess.run([sys.executable, "-c", script], cwd=ROOT, env=env, capture_output=True, text=True)


def test_a_fresh_process_knows_all_periodic_work(tmp_path: Path) -> None:
    completed = in_fresh_process(UNKNOWN, tmp_path)
    assert (completed.returncode, completed.stdout.strip()) == (0, "[]"), completed.stderr


def test_without_a_broker_a_web_process_finds_what_is_asked_for(tmp_path: Path) -> None:
    assert "could not ask" not in in_fresh_process(ASKED, tmp_path).stderr
