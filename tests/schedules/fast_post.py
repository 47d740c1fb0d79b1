"""Settings of a desk that looks for letters every second, for tests that start real workers."""

from __future__ import annotations

from servicedesk.settings import *  # noqa: F403 - the desk's own settings, with one changed

CELERY_BEAT_SCHEDULE = {"send letters": {"task": "schedules.send_notifications", "schedule": 1.0}}
