"""The second step of signing in, for those who want it: a code from an app on their phone."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class MfaDevice(models.Model):
    """The secret somebody's phone makes codes from (RFC 6238), and the last code that was taken."""

    user = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="mfa")
    secret = models.CharField(max_length=64)
    since = models.DateTimeField()
    last_counter = models.PositiveBigIntegerField(
        default=0, help_text="Number of the last thirty seconds whose code was taken: none is taken twice."
    )

    def __str__(self) -> str:
        return f"second step since {self.since:%Y-%m-%d}"
