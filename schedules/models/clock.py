"""When the periodic work last ran."""

from __future__ import annotations

from django.db import models


class ClockMark(models.Model):
    """The last run of one periodic task, and what it said."""

    task = models.CharField(max_length=80, unique=True)
    ran_at = models.DateTimeField()
    said = models.CharField(max_length=200, blank=True)

    def __str__(self) -> str:
        return f"{self.task} at {self.ran_at}"
