"""Secret links through which calendars read the visits."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.db.models.functions import Coalesce

from schedules.querysets import CalendarLinkQuerySet


class CalendarLink(models.Model):
    """Calendar link of one person, or of the whole team. Only a hash of its secret is stored."""

    person = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.CASCADE,
        null=True,
        blank=True,
        related_name="calendar_links",
    )
    secret_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    revoked_at = models.DateTimeField(null=True, blank=True)
    last_read_at = models.DateTimeField(null=True, blank=True)

    objects = CalendarLinkQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                Coalesce("person", 0),
                condition=Q(revoked_at__isnull=True),
                name="calendarlink_one_in_force",
                violation_error_message="There is already a link in use; replace it instead.",
            ),
        ]

    def __str__(self) -> str:
        return f"calendar of {self.person or 'the team'}"
