"""Settings of a desk under faults: the clock ticks every other second and may be moved, the file may be full.

HOURS_OFF moves the clock by so many hours, for this process only. MOST_PAGES lets the SQLite file grow no
further, which SQLite answers as it answers a full disk.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta

from servicedesk.settings import *  # noqa: F403 - the desk's own settings, with some changed
from servicedesk.settings import DATABASES

CELERY_BEAT_SCHEDULE = {
    task: {"task": task, "schedule": 2.0, "options": {"expires": 60}}
    for task in (
        "schedules.raise_due",
        "schedules.plan_next_dues",
        "schedules.solve_weeks",
        "schedules.send_notifications",
        "imports.resume_imports",
        "calls.make_thumbnails",
    )
}

if pages := os.environ.get("MOST_PAGES"):
    DATABASES["default"]["OPTIONS"]["init_command"] += f"PRAGMA max_page_count={int(pages)};"

if hours := os.environ.get("HOURS_OFF"):
    import time_machine

    time_machine.travel(datetime.now(UTC) + timedelta(hours=int(hours)), tick=True).start()
