"""Settings of a desk whose clock backs up at once and looks for due work every second."""

from __future__ import annotations

from servicedesk.settings import *  # noqa: F403 - the desk's own settings, with one changed

CELERY_BEAT_SCHEDULE = {
    "back up": {"task": "backup.back_up", "schedule": 3600.0},
    "raise what is due": {"task": "schedules.raise_due", "schedule": 1.0},
}
