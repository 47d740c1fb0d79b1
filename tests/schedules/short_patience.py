"""Settings of a desk whose broker soon hands out again what a killed worker had taken."""

from __future__ import annotations

from servicedesk.settings import *  # noqa: F403 - the desk's own settings, with some changed
from servicedesk.settings import CELERY_BROKER_TRANSPORT_OPTIONS

CELERY_BROKER_TRANSPORT_OPTIONS |= {
    "visibility_timeout": 5,
    "unacked_restore_interval": 1,
    "unacked_restore_throttle": 1,
}
