"""Model of the users and their roles."""

from __future__ import annotations

from functools import cached_property
from typing import ClassVar

from django.contrib.auth.models import AbstractUser
from django.db import models

from servicedesk.accounts.querysets import UserManager
from servicedesk.core.rules.new_values import refuse_new, twin_fault
from servicedesk.core.values.phones import phone_fault


class Role(models.TextChoices):
    """Role of a user. Each role can also do what the ones before it can."""

    TECHNICIAN = "technician", "Technician"
    SCHEDULER = "scheduler", "Scheduler"
    OWNER = "owner", "Owner"


class User(AbstractUser):
    """A user who signs in; the role is the group they belong to."""

    first_name = None  # type: ignore[assignment]
    last_name = None  # type: ignore[assignment]
    name = models.CharField("full name", max_length=120)
    phone = models.CharField(max_length=40, blank=True)
    invited_at = models.DateTimeField("asked by mail to choose a password", null=True, blank=True)
    invitations = models.PositiveSmallIntegerField("times asked", default=0, db_default=0)

    objects: ClassVar[UserManager] = UserManager()

    REQUIRED_FIELDS = ["name"]

    class Meta:
        ordering = ["name", "pk"]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Refuse a malformed phone number, and a username that differs from another only by case."""
        super().clean()
        faults = {"username": twin_fault(self, "username"), "phone": phone_fault(self.phone)}
        refuse_new(self, faults)

    def get_full_name(self) -> str:
        """Full name, as mails and lists show it."""
        return self.name

    @cached_property
    def role(self) -> Role | None:
        """Highest role, or None for a user without one."""
        names = {group.name for group in self.groups.all()}
        return next((role for role in reversed(Role) if role.value in names), None)

    def may_act_as(self, role: Role) -> bool:
        """Return whether the user's role includes what ``role`` can do."""
        order = list(Role)
        return self.is_active and self.role is not None and order.index(self.role) >= order.index(role)
