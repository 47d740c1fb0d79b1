"""Groups compared by the nightly surveillance: the lots of a type, the types of a kind."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import date
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np

from servicedesk.reports.curves.age_sums import (
    AgeSums,
    CellSums,
    Floats,
    expected_a_year,
    months_by_age,
    sum_by_cell,
)
from servicedesk.reports.histories import CountingRows, Histories, Ints, Window
from servicedesk.reports.numerics.counts.rates import design_effect
from servicedesk.reports.numerics.counts.site_variance import Cells
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from units.models import ComponentType

MONTHS: Final = 60
"""Length of the CUSUM charts in months: a chart that began long ago is no evidence on the present."""


class Named(NamedTuple):
    """Lot of a type, or whole type (``lot`` empty)."""

    component_type: int
    name: str
    kind: str
    lot: str


@dataclass(frozen=True, eq=False)
class Chart:
    """Observed and expected failures of one group by month, and the design effect of sites."""

    counts: Ints
    expected: Floats
    effect: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """Groups that are compared with each other.

    Attributes
    ----------
    names
        One a group; None for parts of no known lot, which only count among the others.
    rows, group, fitted
        Spans at risk, the group of each, and the day on which its part was fitted.
    whole
        The type whose lots the groups are; None where they are types of one kind.
    """

    names: Sequence[Named | None]
    rows: CountingRows
    group: Ints
    fitted: Ints
    whole: Named | None

    @property
    def among_lots(self) -> bool:
        """Whether the groups are lots of one type, else types of one kind."""
        return self.whole is not None

    @cached_property
    def sums(self) -> AgeSums:
        """Failures and days at risk of each group by year of age."""
        return self._by_cell.by_group()

    @cached_property
    def cells(self) -> Cells:
        """Failures of each group at each site, and those expected if all groups were alike."""
        return self._by_cell.like_all()

    @cached_property
    def _by_cell(self) -> CellSums:
        return sum_by_cell(self.rows, self.group, size=len(self.names))

    def a_year(self, today: date) -> Floats:
        """Failures a year expected of each group's parts in place if all groups were alike."""
        return expected_a_year(
            self.rows,
            today.toordinal() - self.fitted,
            self.group,
            self.sums.rates_of_all(),
            size=len(self.names),
        )

    def different(self, keys: Ints) -> Ints:
        """Number of distinct keys, one a row, of each group."""
        most = int(keys.max(initial=0)) + 1
        return np.bincount(np.unique(self.group * most + keys) // most, minlength=len(self.names))

    def charts(self, places: Ints, *, today: date) -> list[Chart]:
        """Observed and expected failures of some groups in each of the last months.

        A lot is expected to fail like the other lots at its ages, a type like itself at its ages over all
        years.
        """
        if not places.size:
            return []
        rates = (self.sums.rates_of_others() if self.among_lots else self.sums.own_rates())[places]
        last = today.toordinal()
        ends = [round(last - (MONTHS - number) * DAYS_PER_YEAR / 12) for number in range(MONTHS + 1)]
        mine = np.isin(self.group, places)
        events, days = months_by_age(
            CountingRows(*(getattr(self.rows, field.name)[mine] for field in fields(CountingRows))),
            self.fitted[mine],
            np.searchsorted(places, self.group[mine]),
            size=places.size,
            ends=ends,
        )
        rows = self.rows
        effect = design_effect(rows.event, rows.stop - rows.start, rows.site, group=self.group)
        counts, expected = events.sum(axis=2).astype(np.int64), (days * rates).sum(axis=2)
        return [
            Chart(counts[:, place], expected[:, place], 1.0 if np.isnan(effect) else float(effect))
            for place in range(places.size)
        ]


def compare_all(types: Iterable[tuple[ComponentType, Histories]], *, today: date) -> list[Comparison]:
    """Comparisons of the lots of each type, then of the types of each kind."""
    among_lots = [
        _lots(of_type, histories, today=today) for of_type, histories in types if histories.item.size
    ]
    kinds: dict[str, list[Comparison]] = {}
    for each in among_lots:
        if each.whole is not None:
            kinds.setdefault(each.whole.kind, []).append(each)
    return [*among_lots, *(_types(of_kind) for of_kind in kinds.values())]


def _lots(of_type: ComponentType, histories: Histories, *, today: date) -> Comparison:
    """Comparison of the lots of a type; parts of no known lot only count among the others."""
    whole = Named(of_type.pk, of_type.name, of_type.kind, "")
    rows = histories.counting_rows(Window(0, today.toordinal()))
    # Items are sorted, with one row or more of each.
    first = np.searchsorted(histories.item, rows.item)
    names = [None if lot is None else whole._replace(lot=lot) for lot in histories.groups]
    return Comparison(names, rows, histories.group[first], histories.fitted[first], whole)


def _types(of_kind: Sequence[Comparison]) -> Comparison:
    """Comparison of the types of a kind."""
    columns = [
        np.concatenate([getattr(each.rows, field.name) for each in of_kind]) for field in fields(CountingRows)
    ]
    return Comparison(
        [each.whole for each in of_kind],
        CountingRows(*columns),
        np.repeat(np.arange(len(of_kind)), [each.rows.item.size for each in of_kind]),
        np.concatenate([each.fitted for each in of_kind]),
        None,
    )
