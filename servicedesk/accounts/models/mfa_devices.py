"""Model of the MFA device: an app that shows codes on a user's phone."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class MfaDevice(models.Model):
    """TOTP secret of a user (RFC 6238), and the time step of the last accepted code."""

    user = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="mfa")
    secret = models.CharField(max_length=64)
    since = models.DateTimeField()
    last_counter = models.PositiveBigIntegerField(
        default=0, help_text="Number of the last thirty seconds whose code was taken: none is taken twice."
    )

    def __str__(self) -> str:
        return f"second step since {self.since:%Y-%m-%d}"
