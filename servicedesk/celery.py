"""Celery application: over Redis where REDIS_URL is set, else in the calling process."""

from __future__ import annotations

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")

app = Celery("servicedesk", task_cls="schedules.noted_task:NotedTask")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()  # of every installed app
