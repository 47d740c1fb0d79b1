"""Models of calls and their safety answers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import Case, Q, Value, When
from django.urls import reverse
from django.utils import timezone

from servicedesk.calls.querysets import OVER, CallQuerySet
from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion, FoundByScraps
from servicedesk.core.rules.new_values import LimitedText, refuse_new
from servicedesk.core.values.dates import short_date, short_moment
from servicedesk.core.values.phones import phone_fault
from servicedesk.core.values.searching import PHONE_SIGNS, bare, upper

if TYPE_CHECKING:
    from schedules.models import Visit


class Symptom(models.TextChoices):
    """Symptom that the caller reports, before any inspection."""

    STIFF = "stiff", "stiff at all times"
    STIFF_HOT = "stiff_hot", "stiff only on hot afternoons"
    STIFF_HUMID = "stiff_humid", "stiff only in the humid season"
    STIFF_COLD = "stiff_cold", "stiff only in the cold"
    WONT_STAY_UP = "wont_stay_up", "will not stay up"
    FALLS_OUT = "falls_out", "panel falls out or comes loose"
    WATER = "water", "water inside"
    FILM = "film", "vinyl torn, cloudy or loose"
    SCREEN = "screen", "screen torn or sagging"
    GLASS = "glass", "lower glass broken or loose"
    OTHER = "other", "something else"


class Call(models.Model):
    """Report of trouble at a site, and its state."""

    class Urgency(models.TextChoices):
        """How soon somebody must come."""

        MAKE_SAFE = "make_safe", "make safe today"
        THIS_WEEK = "this_week", "this week"
        NEXT_ROUND = "next_round", "next visit"

    class State(models.TextChoices):
        """RFC 5545 states of a to-do."""

        NEEDS_ACTION = "needs-action", "not started"
        IN_PROCESS = "in-process", "being worked on"
        COMPLETED = "completed", "closed"
        CANCELLED = "cancelled", "canceled"

    OPEN = (State.NEEDS_ACTION, State.IN_PROCESS)

    site = models.ForeignKey("units.Site", on_delete=models.PROTECT, related_name="calls", db_index=False)
    unit = models.ForeignKey(
        "units.Unit", on_delete=models.PROTECT, null=True, blank=True, related_name="calls"
    )
    reported_at = models.DateTimeField("reported at")
    reported_by = models.CharField("reported by", max_length=120, blank=True)
    phone = models.CharField("call back on", max_length=40, blank=True)
    words = LimitedText("in the caller's words", blank=True)
    symptom = models.CharField("symptom", max_length=12, choices=Symptom, default=Symptom.OTHER)
    urgency = models.CharField(max_length=10, choices=Urgency, default=Urgency.NEXT_ROUND)
    state = models.CharField(max_length=12, choices=State, default=State.NEEDS_ACTION)
    task = models.OneToOneField(
        "schedules.MaintenanceTask", on_delete=models.SET_NULL, null=True, blank=True, related_name="call"
    )
    logged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    closed_at = models.DateTimeField(null=True, blank=True)
    ref = models.CharField("reference in older records", max_length=60, blank=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    rank = models.GeneratedField(
        verbose_name="place in the list",
        expression=Case(
            When(state__in=["completed", "cancelled"], then=Value(OVER)),
            When(urgency="make_safe", then=Value(1)),
            When(urgency="this_week", then=Value(2)),
            default=Value(3),
        ),
        output_field=models.SmallIntegerField(),
        db_persist=True,
    )

    objects = CallQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["state", "reported_at"], name="call_by_state"),
            models.Index(fields=["rank", "reported_at", "id"], name="call_by_rank"),
            models.Index(fields=["site", "reported_at"], name="call_by_site"),
        ]
        constraints = [
            FoundByScraps(
                name="call_by_scraps",
                texts=(
                    upper("words"),
                    upper("reported_by"),
                    upper("ref"),
                    upper("phone"),
                    bare("phone", PHONE_SIGNS),
                ),
            ),
            BumpsVersion(name="call_bumps_version"),
            Check(
                condition=~Q(state="completed") | Q(closed_at__isnull=False),
                name="call_closed_has_a_time",
                violation_error_message="A closed call says when it was closed.",
            ),
        ]

    def __str__(self) -> str:
        return f"call {self.pk}"

    def get_absolute_url(self) -> str:
        """Address of the call's page."""
        return reverse("calls:call", args=[self.pk])

    def clean(self) -> None:
        """Refuse a malformed phone number."""
        refuse_new(self, {"phone": phone_fault(self.phone)})

    @property
    def is_open(self) -> bool:
        """Whether the call is neither closed nor cancelled."""
        return self.state in self.OPEN

    @property
    def danger_stands(self) -> bool:
        """Whether the call is an open danger (`with_open_danger`); runs no query after `for_list`."""
        if not self.is_open:
            return False
        named = [each for each in self.safety_answers.all() if each.answer == SafetyAnswer.Answer.YES]
        return any(each.is_open for each in named) or (not named and self.urgency == self.Urgency.MAKE_SAFE)

    @property
    def how_soon(self) -> str:
        """Urgency in words, stressed where a danger is open; runs no query after `for_list`."""
        soon = str(self.get_urgency_display())
        return "MAKE SAFE today: not made safe" if self.danger_stands else soon[:1].upper() + soon[1:]

    @property
    def planned_visit(self) -> Visit | None:
        """Open visit on which the repair is planned; runs no query after `for_list`."""
        if self.task is None:
            return None
        taken = (taken.visit for taken in self.task.visit_tasks.all())
        return next((visit for visit in taken if visit.is_open), None)

    @property
    def how_far(self) -> str:
        """State of the call in words; runs no query after `for_list`."""
        if self.closed_at is not None:
            return f"{self.get_state_display()} {short_date(timezone.localdate(self.closed_at))}"
        words = [self.get_state_display()]
        if self.task is not None and self.task.waiting_for and self.task.waiting_until:
            waits = self.task.get_waiting_for_display()
            words.append(f"on hold for {waits} until {short_date(self.task.waiting_until)}")
        if self.is_open and (visit := self.planned_visit):
            words.append(f"visit {short_moment(timezone.localtime(visit.starts_at))}")
        return ", ".join(words)


class SafetyAnswer(models.Model):
    """The caller's answer to one safety question, and what made the danger safe."""

    class Question(models.TextChoices):
        """Safety questions of a call."""

        WONT_STAY_UP = "wont_stay_up", "Is there a panel that will not stay up, or may drop?"
        GUARD_GLASS = "guard_glass", "Is the lower glass broken or loose?"
        OPEN_TO_WEATHER = "open_to_weather", "Is the vinyl torn so that the porch is open to the weather?"
        FALL_RISK = "fall_risk", "Could somebody fall through or over the opening?"

    class Answer(models.TextChoices):
        """Answers to a safety question."""

        UNASKED = "", "not asked"
        NO = "no", "no"
        YES = "yes", "yes"

    call = models.ForeignKey(Call, on_delete=models.CASCADE, related_name="safety_answers")
    question = models.CharField(max_length=16, choices=Question)
    answer = models.CharField(max_length=3, choices=Answer, blank=True)
    made_safe_how = models.CharField("what made it safe", max_length=240, blank=True)
    made_safe_at = models.DateTimeField(null=True, blank=True)
    made_safe_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["call", "question"],
                name="safetyanswer_once",
                violation_error_message="This question is already answered for the call.",
            ),
            Check(
                condition=Q(made_safe_at__isnull=True) | ~Q(made_safe_how=""),
                name="safetyanswer_says_how",
                violation_error_message="Say what was done to make it safe.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_question_display()} {self.get_answer_display()}"

    @property
    def is_open(self) -> bool:
        """Whether the question was never asked, or the danger it names is still open."""
        if self.answer == self.Answer.NO:
            return False
        return self.made_safe_at is None
