"""Visits and the tasks taken along on them."""

from __future__ import annotations

from datetime import datetime
from uuid import uuid4

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

from schedules.local_times import wall_time
from schedules.querysets import VisitQuerySet, VisitTaskQuerySet
from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.new_values import LimitedText

from .tasks import MaintenanceTask


class Visit(models.Model):
    """Visit of one or two technicians to a site."""

    class State(models.TextChoices):
        """RFC 5545 states of an event."""

        TENTATIVE = "tentative", "proposed"
        CONFIRMED = "confirmed", "confirmed"
        CANCELLED = "cancelled", "canceled"

    uid = models.UUIDField(unique=True, default=uuid4, editable=False)
    site = models.ForeignKey("units.Site", on_delete=models.PROTECT, related_name="visits")
    place = models.CharField("address as sent to calendars", max_length=260, blank=True)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    zone = models.CharField("time zone", max_length=60)
    technicians = models.ManyToManyField(settings.AUTH_USER_MODEL, related_name="visits")
    state = models.CharField(max_length=10, choices=State, default=State.TENTATIVE)
    finished_at = models.DateTimeField(null=True, blank=True)
    note = LimitedText(blank=True)
    planned_by = models.ForeignKey(
        "schedules.WeekPlan", on_delete=models.SET_NULL, null=True, blank=True, related_name="visits"
    )
    fixed = models.BooleanField(
        "time is fixed", default=False, help_text="Planning the week again does not move it."
    )
    sequence = models.PositiveIntegerField(default=0)
    created_at = models.DateTimeField()
    changed_at = models.DateTimeField()

    objects = VisitQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["starts_at", "id"], name="visit_by_start"),
            models.Index(fields=["site", "starts_at"], name="visit_by_site"),
        ]
        constraints = [
            Check(
                condition=Q(ends_at__gt=models.F("starts_at")),
                name="visit_ends_after_start",
                violation_error_message="A visit ends after it starts: check the two times.",
            ),
            Check(
                condition=Q(finished_at__isnull=True) | ~Q(state="cancelled"),
                name="visit_cancelled_not_finished",
                violation_error_message="A canceled visit can't be finished.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.local_start:%Y-%m-%d %H:%M}"

    def get_absolute_url(self) -> str:
        """The visit's page."""
        return reverse("schedules:visit", args=[self.pk])

    @property
    def local_start(self) -> datetime:
        """The beginning as it was agreed, on the clock of the place."""
        return wall_time(self.starts_at, zone=self.zone)

    @property
    def local_end(self) -> datetime:
        """The planned end, on the clock of the place."""
        return wall_time(self.ends_at, zone=self.zone)

    @property
    def minutes(self) -> int:
        """How long the visit is planned to take."""
        return int((self.ends_at - self.starts_at).total_seconds()) // 60

    @property
    def state_words(self) -> str:
        """How far the visit has come, in a word."""
        return "finished" if self.finished_at is not None else str(self.get_state_display())

    @property
    def may_be_replanned(self) -> bool:
        """Whether planning the week may move the visit: a proposal of a plan that nobody fixed."""
        return self.state == self.State.TENTATIVE and self.planned_by_id is not None and not self.fixed

    @property
    def is_open(self) -> bool:
        """Whether the visit is still ahead or under way."""
        return self.state != self.State.CANCELLED and self.finished_at is None


class VisitTask(models.Model):
    """A task taken along on a visit, and how it went."""

    class Outcome(models.TextChoices):
        """How a task went at one visit."""

        OPEN = "", "not yet"
        DONE = "done", "done"
        NOT_DONE = "not_done", "not done"

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="visit_tasks")
    task = models.ForeignKey(MaintenanceTask, on_delete=models.PROTECT, related_name="visit_tasks")
    outcome = models.CharField(max_length=8, choices=Outcome, blank=True)
    why_not = models.CharField(max_length=12, choices=MaintenanceTask.NotDone, blank=True)
    needs = models.CharField(
        "what was missing",
        max_length=160,
        blank=True,
        default="",
        db_default="",
        help_text="Which part, and how many.",
    )

    objects = VisitTaskQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["visit", "task"],
                name="visittask_once",
                violation_error_message="The task is on this visit already.",
            ),
            Check(
                condition=~Q(outcome="not_done") | ~Q(why_not=""),
                name="visittask_says_why_not",
                violation_error_message="Say why the task was not done.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.task} at {self.visit}"
