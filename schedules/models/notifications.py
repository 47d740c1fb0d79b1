"""E-mail preferences, customers' answers, texts by kind, and the queue of notifications."""

from __future__ import annotations

from uuid import uuid4

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from schedules.querysets import NotificationQuerySet
from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.new_values import LimitedText


class NotificationKind(models.TextChoices):
    """Kinds of messages."""

    ASKING = "asking", "asks whether a proposed visit suits"
    AGREED = "agreed", "a visit is agreed, with the calendar entry"
    CALLED_OFF = "called_off", "a visit is called off"
    AHEAD = "ahead", "a visit is near"
    OWN_MAINTENANCE = "own_maintenance", "maintenance by the owner is due"
    OFFICE_DAY = "desk_day", "the day’s digest of a scheduler"
    ROUTE_DAY = "round_day", "the day’s schedule of a technician"
    ALARM = "alarm", "a danger was found"
    JOIN = "join", "asks somebody who works here to choose a password"


class EmailPreference(models.Model):
    """E-mail preference of a customer. Without a row: everything."""

    class What(models.TextChoices):
        """Which messages a customer gets."""

        ALL = "all", "everything"
        VISITS = "visits", "about visits only"
        NOTHING = "nothing", "nothing"

    customer = models.OneToOneField(
        "units.Customer", on_delete=models.CASCADE, related_name="email_preference"
    )
    what = models.CharField("gets by mail", max_length=8, choices=What, default=What.ALL)
    said_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.customer}: {self.get_what_display()}"


class CustomerAnswer(models.Model):
    """Answer of a customer about a visit, given on its page."""

    class Said(models.TextChoices):
        """Answers that a customer can give."""

        SUITS = "suits", "it suits"
        MOVED = "moved", "chose another time"
        UNSUITABLE = "unsuitable", "no time offered suits"

    visit = models.ForeignKey("schedules.Visit", on_delete=models.CASCADE, related_name="answers")
    customer = models.ForeignKey("units.Customer", on_delete=models.CASCADE, related_name="+")
    said = models.CharField(max_length=10, choices=Said)
    words = LimitedText(blank=True)
    at = models.DateTimeField()
    seen_at = models.DateTimeField(null=True, blank=True)
    seen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        indexes = [models.Index(fields=["at"], name="customeranswer_by_time")]

    def __str__(self) -> str:
        return f"{self.customer}: {self.get_said_display()}"


class NotificationText(models.Model):
    """Changed text of a kind of message; without a row the usual text is used."""

    kind = models.CharField(max_length=16, choices=NotificationKind, unique=True)
    title = models.CharField(max_length=160)
    body = LimitedText()

    def __str__(self) -> str:
        return str(self.get_kind_display())

    def clean(self) -> None:
        """Refuse a text with an unknown blank."""
        from schedules.notifications.texts import check_blanks

        for name in ("title", "body"):
            try:
                check_blanks(self.kind, getattr(self, name))
            except ValueError as error:
                raise ValidationError({name: str(error)}) from error


class Notification(models.Model):
    """One message to one addressee. The rows are the queue: each waiting one is sent once."""

    class Stage(models.TextChoices):
        """Stages of delivery."""

        WAITING = "waiting", "to be sent"
        SENDING = "sending", "being sent"
        SENT = "sent", "sent"
        WITHHELD = "withheld", "withheld"
        MISSED = "missed", "too late to send"
        NEEDLESS = "needless", "not needed any more"
        FAILED = "failed", "could not be sent"

    kind = models.CharField(max_length=16, choices=NotificationKind)
    subject = models.CharField(max_length=40)
    subject_id = models.BigIntegerField()
    version = models.PositiveIntegerField(default=0)
    due_on = models.DateField()
    customer = models.ForeignKey(
        "units.Customer", on_delete=models.CASCADE, null=True, blank=True, related_name="notifications"
    )
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, null=True, blank=True, related_name="+"
    )
    addressee = models.CharField(max_length=24)
    stage = models.CharField(max_length=8, choices=Stage, default=Stage.WAITING)
    why = models.CharField(max_length=240, blank=True)
    payload = models.JSONField(
        default=dict, blank=True, help_text="What the message says and this app can't look up."
    )
    message_id = models.UUIDField(default=uuid4, unique=True)
    tries = models.PositiveSmallIntegerField(default=0)
    next_try_at = models.DateTimeField()
    claim = models.UUIDField(null=True, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    made_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True, blank=True)
    sent_to = models.EmailField(blank=True)
    title = models.CharField(max_length=200, blank=True)
    body = models.TextField(blank=True)

    objects = NotificationQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["stage", "next_try_at"], name="notification_to_send"),
            models.Index(fields=["subject", "subject_id"], name="notification_by_subject"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "subject", "subject_id", "due_on", "version", "addressee"],
                name="notification_once",
                violation_error_message="This message is written already.",
            ),
            Check(
                condition=~Q(stage="sent") | Q(sent_at__isnull=False),
                name="notification_sent_has_a_time",
                violation_error_message="A sent message says when it was sent.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, to {self.addressee}"

    @property
    def to(self) -> str:
        """Name of the addressee."""
        return str(self.customer or self.person or "nobody")
