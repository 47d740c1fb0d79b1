"""Model of failed sign-ins, counted to throttle the next ones."""

from __future__ import annotations

from django.db import models

from servicedesk.core.values.words import count


class FailedSignIn(models.Model):
    """Number of failed sign-ins in an hour: by account and address, by address, or by account.

    The hour is part of the digest, so that each hour expires by itself. Names and addresses are stored as
    digests only: the table reveals to nobody whom it throttles.
    """

    class About(models.TextChoices):
        """What is counted."""

        PAIR = "pair", "an account at an address"
        ADDRESS = "address", "an address"
        ACCOUNT = "account", "an account"

    about = models.CharField(max_length=8, choices=About)
    digest = models.CharField(max_length=64)
    times = models.PositiveIntegerField(default=0)
    last_at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["last_at"], name="failedsignin_by_time")]
        constraints = [
            models.UniqueConstraint(
                fields=["about", "digest"],
                name="failedsignin_once",
                violation_error_message="This is counted already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_about_display()}: {count(self.times, 'time')}"
