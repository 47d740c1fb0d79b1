"""Model of photos."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

from servicedesk.calls.querysets import PhotoQuerySet
from servicedesk.core.rules.conditions import Check

from .calls import Call


class Photo(models.Model):
    """Photo of a call, a finding or a unit; its file lies outside the web root, behind access control."""

    call = models.ForeignKey(Call, on_delete=models.PROTECT, null=True, blank=True, related_name="photos")
    finding = models.ForeignKey(
        "calls.Finding", on_delete=models.PROTECT, null=True, blank=True, related_name="photos"
    )
    unit = models.ForeignKey(
        "units.Unit", on_delete=models.PROTECT, null=True, blank=True, related_name="photos"
    )
    key = models.UUIDField(null=True, blank=True, unique=True, help_text="Given by the phone that took it.")
    name = models.CharField(max_length=40, unique=True, editable=False)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    small_made = models.BooleanField(default=False, editable=False)
    added_at = models.DateTimeField()
    added_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    objects = PhotoQuerySet.as_manager()

    class Meta:
        constraints = [
            Check(
                condition=Q(call__isnull=False) | Q(finding__isnull=False) | Q(unit__isnull=False),
                name="photo_of_something",
                violation_error_message="A photo belongs to a call, a finding or a unit.",
            ),
        ]

    def __str__(self) -> str:
        return f"photo of {self.call or self.finding or self.unit}"

    def get_absolute_url(self) -> str:
        """Address that serves the photo."""
        return reverse("calls:photo", args=[self.pk])
