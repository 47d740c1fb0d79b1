"""Photos of what is wrong."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.urls import reverse

from .calls import Call


class Photo(models.Model):
    """A photo that belongs to a call; the file lies outside the web root and is served with rights."""

    call = models.ForeignKey(Call, on_delete=models.PROTECT, related_name="photos")
    name = models.CharField(max_length=40, unique=True, editable=False)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    added_at = models.DateTimeField()
    added_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    def __str__(self) -> str:
        return f"photo of {self.call}"

    def get_absolute_url(self) -> str:
        """Where the photo is shown."""
        return reverse("calls:photo", args=[self.pk])
