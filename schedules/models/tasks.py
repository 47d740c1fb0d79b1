"""Maintenance tasks."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.urls import reverse

from schedules.querysets import MaintenanceTaskQuerySet
from servicedesk.core.rules.conditions import Check
from units.models import FailureMode

from .maintenance import NextDue, WorkKind


class MaintenanceTask(models.Model):
    """Maintenance task (EN 13306) at a site: from a rule, from a call, or because of a figure."""

    class Origin(models.TextChoices):
        """Why the task is there."""

        MAINTENANCE = "care", "maintenance"
        CALL = "call", "call"
        FIGURE = "figure", "figures"

    class State(models.TextChoices):
        """RFC 5545 states of a to-do."""

        NEEDS_ACTION = "needs-action", "to do"
        IN_PROCESS = "in-process", "on a visit"
        COMPLETED = "completed", "done"
        CANCELLED = "cancelled", "canceled"

    class NotDone(models.TextChoices):
        """Why a task could not be done at a visit."""

        NO_ACCESS = "no_access", "no access"
        PART_MISSING = "part_missing", "part missing"
        TOO_COLD = "too_cold", "too cold for the vinyl"
        DECLINED = "declined", "customer declined"
        NO_TIME = "no_time", "no time left"
        UNSAFE = "unsafe", "not safe to do"

    class WaitingFor(models.TextChoices):
        """Whom a task waits for."""

        NOBODY = "", "nobody"
        PART = "part", "a part"
        MAKER = "maker", "the maker"
        CUSTOMER = "customer", "the customer"

    OPEN = (State.NEEDS_ACTION, State.IN_PROCESS)
    MAKE_SAFE = 1  # the priority of work that takes a danger away, and of nothing else

    site = models.ForeignKey("units.Site", on_delete=models.PROTECT, related_name="tasks")
    unit = models.ForeignKey(
        "units.Unit", on_delete=models.PROTECT, null=True, blank=True, related_name="tasks"
    )
    installed_part = models.ForeignKey(
        "units.InstalledPart", on_delete=models.SET_NULL, null=True, blank=True, related_name="+"
    )
    next_due = models.ForeignKey(
        NextDue, on_delete=models.SET_NULL, null=True, blank=True, related_name="tasks"
    )
    origin = models.CharField(max_length=8, choices=Origin)
    work = models.CharField(max_length=10, choices=WorkKind, blank=True)
    reason = models.CharField("what and why", max_length=240)
    priority = models.PositiveSmallIntegerField(default=5, help_text="1 first, 9 last (RFC 5545).")
    minutes = models.PositiveSmallIntegerField(default=15)
    persons = models.PositiveSmallIntegerField(default=1)
    level = models.PositiveSmallIntegerField(
        "needs a", choices=FailureMode.Skill, default=FailureMode.Skill.HELPER
    )
    due_on = models.DateField()
    state = models.CharField(max_length=12, choices=State, default=State.NEEDS_ACTION)
    waiting_for = models.CharField(max_length=8, choices=WaitingFor, blank=True)
    waiting_until = models.DateField(null=True, blank=True)
    done_on = models.DateField(null=True, blank=True)
    not_done = models.CharField("why it was not done", max_length=12, choices=NotDone, blank=True)
    changed_at = models.DateTimeField(auto_now=True)

    objects = MaintenanceTaskQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["site", "state", "due_on"], name="task_by_site"),
            models.Index(fields=["state", "due_on", "id"], name="task_by_due"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["next_due"],
                condition=Q(state__in=["needs-action", "in-process"]),
                name="task_one_open_per_maintenance",
                violation_error_message="This maintenance already has an open task.",
            ),
            Check(
                condition=Q(priority__gte=1, priority__lte=9),
                name="task_priority_in_range",
                violation_error_message="Priority runs from 1 (first) to 9 (last).",
            ),
            Check(
                condition=Q(persons__gte=1, persons__lte=2),
                name="task_one_or_two_persons",
                violation_error_message="A task takes one or two people.",
            ),
            Check(
                condition=~Q(state="completed") | Q(done_on__isnull=False),
                name="task_done_has_a_date",
                violation_error_message="Say on which day the task was done.",
            ),
            Check(
                condition=Q(waiting_for="", waiting_until__isnull=True)
                | (~Q(waiting_for="") & Q(waiting_until__isnull=False)),
                name="task_waits_until_a_day",
                violation_error_message="Say whom the task is on hold for and until which day.",
            ),
        ]

    def __str__(self) -> str:
        return self.reason

    def get_absolute_url(self) -> str:
        """The task's page."""
        return reverse("schedules:task", args=[self.pk])

    @property
    def is_open(self) -> bool:
        """Whether something is still to be done."""
        return self.state in self.OPEN

    @property
    def makes_safe(self) -> bool:
        """Whether the task is to take a danger away that still stands."""
        return self.priority == self.MAKE_SAFE and self.is_open
