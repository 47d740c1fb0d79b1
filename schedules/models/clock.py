"""Last runs of the periodic tasks."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Self

from django.db import models

FAILED = "failed: "
"""Prefix of the result of a run that failed."""


class ClockMarkQuerySet(models.QuerySet["ClockMark"]):
    """Queryset of the last runs of periodic tasks."""

    def failing(self, tasks: Iterable[str]) -> Self:
        """Marks of the given tasks whose last run failed."""
        return self.filter(task__in=tasks, said__startswith=FAILED).order_by("task")


class ClockMark(models.Model):
    """Last run of one periodic task, and its result in words."""

    task = models.CharField(max_length=80, unique=True)
    ran_at = models.DateTimeField()
    said = models.CharField(max_length=200, blank=True)
    failing_since = models.DateTimeField(null=True, blank=True)

    objects = ClockMarkQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.task} at {self.ran_at}"
