"""Customers: people and firms whose windows we maintain."""

from __future__ import annotations

from django.db import models
from django.urls import reverse

from servicedesk.core.rules.constraints import FoundByScraps
from servicedesk.core.rules.new_values import LimitedText, refuse_new
from servicedesk.core.values.phones import phone_fault
from servicedesk.core.values.searching import PHONE_SIGNS, bare, upper
from units.querysets import CustomerQuerySet


class Customer(models.Model):
    """A customer, who owns or owned one or more sites."""

    name = models.CharField(max_length=160)
    phone = models.CharField(max_length=40, blank=True)
    email = models.EmailField(blank=True)
    note = LimitedText(blank=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = CustomerQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["name", "id"], name="customer_by_name")]
        constraints = [
            FoundByScraps(
                name="customer_by_scraps",
                texts=(upper("name"), upper("email"), upper("phone"), bare("phone", PHONE_SIGNS)),
            )
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        """The customer's page."""
        return reverse("units:customer", args=[self.pk])

    def clean(self) -> None:
        """Refuse a telephone number that is none."""
        refuse_new(self, {"phone": phone_fault(self.phone)})
