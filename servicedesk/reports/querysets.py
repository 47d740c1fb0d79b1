"""What can be asked of the failure log, and of figures that are waited for."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Self

from django.db import models
from django.db.models import F, OuterRef, Q, Subquery, Sum

if TYPE_CHECKING:
    from servicedesk.reports.models import FailureDay, FigureRequest, LotFlag, RiskDay  # noqa: F401


class LogQuerySet(models.QuerySet[Any]):
    """Questions that both halves of the log answer."""

    def between(self, first: date, last: date) -> Self:
        """Days of a run of days, both ends among them."""
        return self.filter(on__gte=first, on__lte=last)

    def of_kind(self, kind: str) -> Self:
        """Lines of one kind of part, or of all where none is named."""
        return self.filter(component_type__kind=kind) if kind else self


class FailureDayQuerySet(LogQuerySet):
    """Questions about what failed each day."""

    def with_items(self) -> Self:
        """Lines with the items of their type that were at risk on the day, as ``items``."""
        from servicedesk.reports.models import RiskDay

        risk = RiskDay.objects.filter(on=OuterRef("on"), component_type=OuterRef("component_type"))
        return self.annotate(items=Subquery(risk.values("items")[:1]))

    def for_list(self) -> Self:
        """Lines with what the list shows of each."""
        return self.with_items().select_related("component_type", "mode")

    def totals(self) -> dict[int, int]:
        """Failures by type of part."""
        rows = self.order_by().values_list("component_type").annotate(n=Sum("failures"))
        return dict(rows)


class RiskDayQuerySet(LogQuerySet):
    """Questions about how many items were at risk each day."""

    def totals(self) -> list[dict[str, Any]]:
        """Days at risk by type of part, in the order of kinds and names."""
        return list(
            self.order_by()
            .values(key=F("component_type"), name=F("component_type__name"), kind=F("component_type__kind"))
            .annotate(days=Sum("items"))
            .order_by("kind", "name")
        )


class FigureRequestQuerySet(models.QuerySet["FigureRequest"]):
    """Questions about pages that wait for their figures."""

    def waiting(self, *, taken_up_before: datetime) -> Self:
        """Those that nobody computes, oldest first; who took one up before that moment has died."""
        free = Q(taken_up_at__isnull=True) | Q(taken_up_at__lt=taken_up_before)
        return self.filter(free, problem="").select_related("requested_by").order_by("requested_at")

    def take_up(self, wanted: FigureRequest, *, at: datetime) -> bool:
        """Claim one for this process; false where another was quicker."""
        same = self.filter(pk=wanted.pk, taken_up_at=wanted.taken_up_at, problem="")
        return bool(same.update(taken_up_at=at))


class LotFlagQuerySet(models.QuerySet["LotFlag"]):
    """Questions about lots and types that stood out."""

    def open(self) -> Self:
        """Those that still stand out."""
        return self.filter(cleared_on__isnull=True)

    def for_list(self) -> Self:
        """Flags with their types, in the order of kinds, names and lots."""
        return self.select_related("component_type").order_by(
            "component_type__kind", "component_type__name", "lot", "way", "-raised_on", "pk"
        )
