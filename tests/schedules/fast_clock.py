"""Settings of a desk whose clock ticks every second, for tests that start real workers."""

from __future__ import annotations

from servicedesk.settings import *  # noqa: F403 - the desk's own settings, with one changed

CELERY_BEAT_SCHEDULE = {"raise what is due": {"task": "schedules.raise_due", "schedule": 1.0}}
