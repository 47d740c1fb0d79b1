"""Querysets of the failure log, of requests for figures, and of surveillance flags."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Self

from django.db import models
from django.db.models import F, OuterRef, Q, Subquery, Sum

if TYPE_CHECKING:
    from servicedesk.reports.models import FailureDay, FigureRequest, LotFlag, RiskDay  # noqa: F401


class LogQuerySet(models.QuerySet[Any]):
    """Queryset of rows by day and type of part."""

    def between(self, first: date, last: date) -> Self:
        """Rows between two days, both included."""
        return self.filter(on__gte=first, on__lte=last)

    def of_kind(self, kind: str) -> Self:
        """Rows of one kind of part, or of all where it is empty."""
        return self.filter(component_type__kind=kind) if kind else self


class FailureDayQuerySet(LogQuerySet):
    """Queryset of failures by day."""

    def with_items(self) -> Self:
        """Rows annotated with the items of their type at risk on the day, as ``items``."""
        from servicedesk.reports.models import RiskDay

        risk = RiskDay.objects.filter(on=OuterRef("on"), component_type=OuterRef("component_type"))
        return self.annotate(items=Subquery(risk.values("items")[:1]))

    def for_list(self) -> Self:
        """Rows with all that the list shows."""
        return self.with_items().select_related("component_type", "mode")

    def totals(self) -> dict[int, int]:
        """Failures by type of part."""
        rows = self.order_by().values_list("component_type").annotate(n=Sum("failures"))
        return dict(rows)


class RiskDayQuerySet(LogQuerySet):
    """Queryset of items at risk by day."""

    def totals(self) -> list[dict[str, Any]]:
        """Days at risk by type of part, in the order of kinds and names."""
        return list(
            self.order_by()
            .values(key=F("component_type"), name=F("component_type__name"), kind=F("component_type__kind"))
            .annotate(days=Sum("items"))
            .order_by("kind", "name")
        )


class FigureRequestQuerySet(models.QuerySet["FigureRequest"]):
    """Queryset of requests for figures."""

    def waiting(self, *, taken_up_before: datetime) -> Self:
        """Requests that no worker computes, oldest first; one taken up too long ago counts as abandoned."""
        free = Q(taken_up_at__isnull=True) | Q(taken_up_at__lt=taken_up_before)
        return self.filter(free, problem="").select_related("requested_by").order_by("requested_at")

    def take_up(self, wanted: FigureRequest, *, at: datetime) -> bool:
        """Conditional update that takes a request for this process; False where another was faster."""
        same = self.filter(pk=wanted.pk, taken_up_at=wanted.taken_up_at, problem="")
        return bool(same.update(taken_up_at=at))


class LotFlagQuerySet(models.QuerySet["LotFlag"]):
    """Queryset of surveillance flags."""

    def open(self) -> Self:
        """Flags that are not cleared."""
        return self.filter(cleared_on__isnull=True)

    def for_list(self) -> Self:
        """Flags with their types, in the order of kinds, names and lots."""
        return self.select_related("component_type").order_by(
            "component_type__kind", "component_type__name", "lot", "way", "-raised_on", "pk"
        )
