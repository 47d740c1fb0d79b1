"""QR labels on units: a random code that leads to the unit."""

from __future__ import annotations

from secrets import token_urlsafe

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse

CODE_BYTES = 12


def new_code() -> str:
    """Random code of 96 bits: it can't be guessed and carries no meaning."""
    return token_urlsafe(CODE_BYTES)


class UnitLabel(models.Model):
    """Label code of one unit; when a label is lost or copied, another replaces it."""

    unit = models.ForeignKey("units.Unit", on_delete=models.PROTECT, related_name="labels")
    code = models.CharField(max_length=24, unique=True, default=new_code, editable=False)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    replaced_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit"],
                condition=Q(replaced_at__isnull=True),
                name="unitlabel_one_in_force",
                violation_error_message="This unit already has a label in use; replace it instead.",
            ),
        ]

    def __str__(self) -> str:
        return f"code of {self.unit}"

    @property
    def address(self) -> str:
        """URL that the label encodes."""
        return settings.SITE_URL + reverse("portal:label", args=[self.code])
