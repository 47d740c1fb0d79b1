"""QuerySets and managers of users and sessions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from django.contrib.auth.models import UserManager as DjangoUserManager
from django.contrib.sessions.base_session import BaseSessionManager
from django.db import models
from django.utils import timezone

if TYPE_CHECKING:
    from servicedesk.accounts.models import Role, User, UserSession  # noqa: F401


class UserQuerySet(models.QuerySet["User"]):
    """QuerySet of users."""

    def working(self) -> Self:
        """Active users."""
        return self.filter(is_active=True)

    def with_role(self, role: Role) -> Self:
        """Users whose group is exactly this role."""
        return self.filter(groups__name=role.value)

    def technicians(self) -> Self:
        """Users who can be sent to a visit: every active user with a role."""
        return self.working().filter(groups__isnull=False).distinct()

    def to_invite(self) -> Self:
        """Active users who were invited and have not chosen a password yet."""
        return self.working().filter(invited_at__isnull=False)

    def for_list(self) -> Self:
        """Users with their role, in the order of the list."""
        return self.prefetch_related("groups").order_by("-is_active", "name", "pk")


class UserManager(DjangoUserManager["User"].from_queryset(UserQuerySet)):  # type: ignore[misc]
    """Django's user manager with our queryset."""


class UserSessionQuerySet(models.QuerySet["UserSession"]):
    """QuerySet of sessions."""

    def of(self, user: User) -> Self:
        """Active sessions of a user, the last used first."""
        return self.filter(user=user, expire_date__gt=timezone.now()).order_by("-seen_at", "mark")


class UserSessionManager(BaseSessionManager.from_queryset(UserSessionQuerySet)):  # type: ignore[misc]
    """Django's session manager with our queryset."""
