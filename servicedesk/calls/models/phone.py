"""Model of the records that phones sent, each under the idempotency key the phone gave it."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from servicedesk.calls.querysets import PhoneRecordQuerySet


class PhoneRecord(models.Model):
    """Record sent by a phone, with the answer to it; sent again, it gets the same answer."""

    key = models.UUIDField(unique=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=12)
    fingerprint = models.CharField(max_length=64)
    payload = models.JSONField()
    answer = models.JSONField()
    unit = models.ForeignKey("units.Unit", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    finding = models.ForeignKey(
        "calls.Finding", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    site = models.ForeignKey("units.Site", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    made_at = models.DateTimeField(help_text="By our clock: the phone's may be wrong.")
    received_at = models.DateTimeField()
    look_at = models.CharField(
        max_length=400,
        blank=True,
        help_text="What a scheduler should look at, such as a visit canceled meanwhile.",
    )
    seen_at = models.DateTimeField(null=True, blank=True)

    objects = PhoneRecordQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["received_at"], name="phonerecord_by_time")]

    def __str__(self) -> str:
        return f"{self.kind} of {self.made_at:%Y-%m-%d %H:%M}"

    @property
    def is_left(self) -> bool:
        """Whether nothing of it is in the register yet, because the office has to settle it."""
        return bool(self.answer.get("left"))
