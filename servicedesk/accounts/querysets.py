"""Questions about the people who sign in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from django.contrib.auth.models import UserManager as DjangoUserManager
from django.contrib.sessions.base_session import BaseSessionManager
from django.db import models
from django.utils import timezone

if TYPE_CHECKING:
    from servicedesk.accounts.models import Role, User, UserSession  # noqa: F401


class UserQuerySet(models.QuerySet["User"]):
    """Questions about the people who sign in."""

    def working(self) -> Self:
        """People who still work here."""
        return self.filter(is_active=True)

    def with_role(self, role: Role) -> Self:
        """People whose group is exactly this role."""
        return self.filter(groups__name=role.value)

    def technicians(self) -> Self:
        """People who can be sent to a porch: anyone working who has a role."""
        return self.working().filter(groups__isnull=False).distinct()

    def to_invite(self) -> Self:
        """People who were asked by mail to choose a password and have not yet."""
        return self.working().filter(invited_at__isnull=False)

    def for_list(self) -> Self:
        """People with their role, in the order of the list."""
        return self.prefetch_related("groups").order_by("-is_active", "name", "pk")


class UserManager(DjangoUserManager["User"].from_queryset(UserQuerySet)):  # type: ignore[misc]
    """Django's own way of creating users, with our questions."""


class UserSessionQuerySet(models.QuerySet["UserSession"]):
    """Questions about the browsers people are signed in with."""

    def of(self, user: User) -> Self:
        """Browsers in which somebody is signed in now, the last used first."""
        return self.filter(user=user, expire_date__gt=timezone.now()).order_by("-seen_at", "mark")


class UserSessionManager(BaseSessionManager.from_queryset(UserSessionQuerySet)):  # type: ignore[misc]
    """Django's own way of storing sessions, with our questions."""
