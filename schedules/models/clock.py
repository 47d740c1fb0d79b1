"""When the periodic work last ran."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Self

from django.db import models

FAILED = "failed: "
"""How what a task said begins where it failed."""


class ClockMarkQuerySet(models.QuerySet["ClockMark"]):
    """Runs of periodic work."""

    def failing(self, tasks: Iterable[str]) -> Self:
        """Those of some tasks whose last run failed."""
        return self.filter(task__in=tasks, said__startswith=FAILED).order_by("task")


class ClockMark(models.Model):
    """The last run of one periodic task, and what it said."""

    task = models.CharField(max_length=80, unique=True)
    ran_at = models.DateTimeField()
    said = models.CharField(max_length=200, blank=True)
    failing_since = models.DateTimeField(null=True, blank=True)

    objects = ClockMarkQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.task} at {self.ran_at}"
