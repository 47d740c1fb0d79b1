"""QuerySets of the history, the version of the records, and imports."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Self

from django.db import models, transaction
from django.db.models import Q

from servicedesk.core.values.dates import start_of

if TYPE_CHECKING:
    from servicedesk.accounts.models import User
    from servicedesk.core.models import Batch, Change, TableVersion  # noqa: F401


class ChangeQuerySet(models.QuerySet["Change"]):
    """QuerySet of the history."""

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
        """Changes filtered by kind of record, record, user, source, and days."""
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
    """QuerySet of the version of the records."""

    def version(self) -> str:
        """Version of all tables that bump it, as a string.

        The greatest key alone would miss a write that began earlier and was committed later, so the rows are
        counted too.
        """
        totals = self.aggregate(number=models.Count("pk"), last=models.Max("pk"))
        return f"{totals['number']}-{totals['last'] or 0}"

    def prune(self, *, keep: int = 1000) -> int:
        """Delete old rows, and add one: the version moves on, so that none is used twice."""
        with transaction.atomic():
            last = self.aggregate(last=models.Max("pk"))["last"] or 0
            gone, _ = self.filter(pk__lte=last - keep).delete()
            if gone:
                self.create()
        return gone


class BatchQuerySet(models.QuerySet["Batch"]):
    """QuerySet of imports."""

    def unfinished(self) -> Self:
        """Imports that a crash or a restart left unfinished."""
        under_way = Q(stage__in=["staging", "applying", "reverting"])
        return self.filter(under_way | Q(stage="checked", check_only=False)).order_by("pk")

    def half_way(self) -> Self:
        """Imports of which some records are in the register and others are not, running or stopped."""
        return self.filter(stage__in=["applying", "reverting"])

    def for_list(self) -> Self:
        """Imports as the list shows them, newest first."""
        return self.select_related("by").prefetch_related("files").order_by("-started_at", "-pk")
