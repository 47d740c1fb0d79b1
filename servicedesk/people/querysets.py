"""Questions about people and their records."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Self

from django.contrib.auth.models import UserManager as DjangoUserManager
from django.contrib.sessions.base_session import BaseSessionManager
from django.db import models, transaction
from django.utils import timezone

if TYPE_CHECKING:
    from servicedesk.people.models import Change, Role, TableVersion, User, UserSession  # noqa: F401


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


def start_of(day: date) -> datetime:
    """Say when a day begins at the company; days before all records or after them count as the nearest."""
    within = min(max(day, date(1900, 1, 1)), date(9999, 12, 30))
    return timezone.make_aware(datetime.combine(within, time.min))


class ChangeQuerySet(models.QuerySet["Change"]):
    """Questions about the history."""

    def about(self, subject: models.Model) -> Self:
        """Changes of one record."""
        return self.filter(subject=subject._meta.label_lower, subject_id=subject.pk)

    def wanted(
        self,
        *,
        subject: str | None,
        number: int | None,
        by: User | None,
        source: str | None,
        on_from: date | None,
        on_until: date | None,
    ) -> Self:
        """Changes of records of a kind, of one record, by somebody, from a source, between two days."""
        criteria = {"subject": subject, "subject_id": number, "by": by, "source": source}
        changes = self.filter(**{name: value for name, value in criteria.items() if value})
        if on_from:
            changes = changes.filter(at__gte=start_of(on_from))
        if on_until:
            changes = changes.filter(at__lt=start_of(min(on_until, date(9999, 1, 1)) + timedelta(days=1)))
        return changes

    def for_page(self) -> Self:
        """Changes with all that a history list shows, newest first."""
        return self.select_related("by").prefetch_related("fields").order_by("-at", "-pk")


class TableVersionQuerySet(models.QuerySet["TableVersion"]):
    """Questions about the version of the records."""

    def version(self) -> str:
        """Name the state of all tables that tell of their changes.

        The greatest key alone would miss a write that began earlier and was committed later, so the rows are
        counted too.
        """
        totals = self.aggregate(number=models.Count("pk"), last=models.Max("pk"))
        return f"{totals['number']}-{totals['last'] or 0}"

    def prune(self, *, keep: int = 1000) -> int:
        """Throw old rows away, and add one: the version moves on, so none comes up twice."""
        with transaction.atomic():
            last = self.aggregate(last=models.Max("pk"))["last"] or 0
            gone, _ = self.filter(pk__lte=last - keep).delete()
            if gone:
                self.create()
        return gone
