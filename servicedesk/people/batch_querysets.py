"""Questions about imports and their staged rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from django.db import models
from django.db.models import Case, IntegerField, Q, Value, When

if TYPE_CHECKING:
    from servicedesk.people.models import Batch, StagedProblem, StagedRow  # noqa: F401


class BatchQuerySet(models.QuerySet["Batch"]):
    """Questions about imports."""

    def unfinished(self) -> Self:
        """Imports that a crash or a restart left half-way."""
        under_way = Q(stage__in=["staging", "applying", "undoing"])
        return self.filter(under_way | Q(stage="checked", check_only=False)).order_by("pk")

    def half_way(self) -> Self:
        """Imports of which some records are in the register and others are not, under way or stopped."""
        return self.filter(stage__in=["applying", "undoing"])

    def for_list(self) -> Self:
        """Imports as the list shows them, newest first."""
        return self.select_related("by").prefetch_related("files").order_by("-started_at", "-pk")


class StagedRowQuerySet(models.QuerySet["StagedRow"]):
    """Questions about the rows of an import."""

    def bad(self) -> Self:
        """Rows that can't be applied."""
        return self.filter(state="bad")

    def to_apply(self) -> Self:
        """Rows to be written to the register."""
        return self.filter(state="new")

    def of_units(self, codes: list[str]) -> Self:
        """Rows that speak of these units."""
        return self.filter(key__in=codes)


class StagedProblemQuerySet(models.QuerySet["StagedProblem"]):
    """Questions about what is wrong with an import."""

    def in_order(self) -> Self:
        """Problems as somebody mending the files wants them: file by file, from the top."""
        rank = Case(
            When(file="units", then=Value(0)),
            When(file="periods", then=Value(1)),
            default=Value(2),
            output_field=IntegerField(),
        )
        return self.annotate(rank=rank).order_by("rank", "line", "pk")
