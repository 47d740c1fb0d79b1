"""QuerySets of the staged rows of an import and their problems."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from django.db import models
from django.db.models import Case, IntegerField, Value, When

if TYPE_CHECKING:
    from servicedesk.core.models import Batch  # noqa: F401
    from servicedesk.imports.models import StagedProblem, StagedRow  # noqa: F401


class StagedRowQuerySet(models.QuerySet["StagedRow"]):
    """QuerySet of staged rows."""

    def bad(self) -> Self:
        """Rows that can't be applied."""
        return self.filter(state="bad")

    def to_apply(self) -> Self:
        """Rows to be written to the register."""
        return self.filter(state="new")

    def of_units(self, codes: list[str]) -> Self:
        """Rows about these units."""
        return self.filter(key__in=codes)


class StagedProblemQuerySet(models.QuerySet["StagedProblem"]):
    """QuerySet of an import's problems."""

    def in_order(self) -> Self:
        """Problems in the order in which somebody corrects the files: file by file, from the top."""
        rank = Case(
            When(file="units", then=Value(0)),
            When(file="periods", then=Value(1)),
            default=Value(2),
            output_field=IntegerField(),
        )
        return self.annotate(rank=rank).order_by("rank", "line", "pk")
