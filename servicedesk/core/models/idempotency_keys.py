"""Model of idempotency keys: a form sent twice makes one record."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class IdempotencyKey(models.Model):
    """Idempotency key that a form or a phone gave its record, with the address of that record."""

    key = models.UUIDField(unique=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    fingerprint = models.CharField(max_length=64)
    location = models.CharField(max_length=300)

    def __str__(self) -> str:
        return f"{self.key} -> {self.location}"
