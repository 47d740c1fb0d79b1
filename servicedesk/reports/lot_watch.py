"""Which lots and types fail more often than the others: what the nightly look finds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

import numpy as np

from servicedesk.reports.age_sums import AgeSums, Floats, months_by_age, sum_by_age
from servicedesk.reports.histories import CountingRows, Histories, Ints, Window
from servicedesk.reports.judgements import DAYS_PER_YEAR
from servicedesk.reports.lifetimes.multiplicity import benjamini_hochberg
from servicedesk.reports.lifetimes.rates import design_effect, rate_ratio
from servicedesk.reports.lifetimes.watch import (
    FALSE_ALARMS,
    FEWEST_EVENTS,
    FEWEST_SITES,
    cusum_threshold,
    flag_groups,
    poisson_cusum,
)
from servicedesk.reports.queries.lives import read_histories
from servicedesk.reports.selection import Selection
from units.models import ComponentType


@dataclass(frozen=True, kw_only=True)
class Watched:
    """One lot of a type, or a whole type (``lot`` empty), held against the others.

    ``events`` are its failures at ages at which others were watched too, ``expected`` those it should have
    had by then if it failed like the others, and ``times`` their ratio with its limits. ``q_value`` is the
    share of false alarms among all that look as bad as this; None where it could not be tested.
    ``running`` is the sum of failures above what was to be expected month by month, as it stands, and
    ``limit`` what it may come to by chance; None where too little failed to follow it.
    """

    component_type: int
    name: str
    kind: str
    lot: str
    events: int
    expected: float
    items: int
    sites: int
    failed_sites: int
    years: float
    times: tuple[float, float, float] | None
    p_value: float | None
    running: float | None
    limit: float | None
    q_value: float | None = None

    @property
    def enough(self) -> bool:
        """Whether it failed often enough, and at enough sites, to be worth a look at all."""
        return self.events >= FEWEST_EVENTS and self.failed_sites >= FEWEST_SITES

    @property
    def flagged(self) -> bool:
        """Whether it fails more often than the others, over all."""
        return self.enough and self.q_value is not None and self.q_value <= FALSE_ALARMS

    @property
    def rising(self) -> bool:
        """Whether its failures run above what was to be expected of late."""
        return (
            self.enough and self.running is not None and self.limit is not None and self.running > self.limit
        )


MONTHS: Final = 60
"""How far back the failures of each month are followed: a chart that began long ago says nothing of now."""


@dataclass(frozen=True, eq=False)
class _Chart:
    """The failures of one group month by month, and those to be expected."""

    counts: Ints
    expected: Floats
    effect: float


@dataclass(frozen=True, eq=False)
class _Type:
    """A type of part with its watched rows, and the day on which the part of each was fitted."""

    of_type: ComponentType
    rows: CountingRows
    fitted: Ints


def watch_lots(today: date) -> list[Watched]:
    """Hold every lot against the others of its type, and every type against the others of its kind."""
    types = ComponentType.objects.order_by("kind", "name")
    chosen = Selection(as_of=today)
    return look_at(
        ((each, read_histories(chosen.only("component", each.pk), by="lot")) for each in types), today=today
    )


def look_at(
    types: Iterable[tuple[ComponentType, Histories]], *, today: date, follow: bool = True
) -> list[Watched]:
    """Hold lots and types against each other, out of the histories of each type grouped by lot.

    Without ``follow`` nothing is said of how failures ran of late, which takes longest.
    """
    found: list[tuple[Watched, _Chart]] = []
    whole: dict[str, list[_Type]] = {}
    for of_type, histories in types:
        if not histories.item.size:
            continue
        rows = histories.counting_rows(Window(0, today.toordinal()))
        fitted = _places(histories.item, histories.fitted, rows.item)
        whole.setdefault(of_type.kind, []).append(_Type(of_type, rows, fitted))
        found += _lots(of_type, histories, rows, fitted, today=today)
    for types_of_kind in whole.values():
        found += _types(types_of_kind, today=today)
    return _together(found, follow=follow)


def _lots(
    of_type: ComponentType, histories: Histories, rows: CountingRows, fitted: Ints, *, today: date
) -> Iterator[tuple[Watched, _Chart]]:
    """Hold the lots of a type against each other; parts of no known lot only count among the others."""
    group = _places(histories.item, histories.group, rows.item)
    size = len(histories.groups)
    sums = sum_by_age(rows, group, size=size)
    held = _held(sums, rows, group)
    charts = _charts(rows, fitted, group, sums.rates_of_others(), today=today)
    for lot, told, chart in zip(histories.groups, held, charts, strict=True):
        if lot is not None:
            yield Watched(**_named(of_type, lot=lot), **told), chart


def _types(types: Sequence[_Type], *, today: date) -> Iterator[tuple[Watched, _Chart]]:
    """Hold the types of a kind against each other; of late each is held against itself."""
    columns = [
        np.concatenate(column) for column in zip(*(_columns(each.rows) for each in types), strict=True)
    ]
    rows = CountingRows(*columns)
    group = np.repeat(np.arange(len(types)), [each.rows.item.size for each in types])
    sums = sum_by_age(rows, group, size=len(types))
    held = _held(sums, rows, group)
    fitted = np.concatenate([each.fitted for each in types])
    charts = _charts(rows, fitted, group, sums.own_rates(), today=today)
    for each, told, chart in zip(types, held, charts, strict=True):
        yield Watched(**_named(each.of_type, lot=""), **told), chart


def _named(of_type: ComponentType, *, lot: str) -> dict[str, Any]:
    return {"component_type": of_type.pk, "name": of_type.name, "kind": of_type.kind, "lot": lot}


def _charts(rows: CountingRows, fitted: Ints, group: Ints, rates: Floats, *, today: date) -> list[_Chart]:
    """Put the failures of each group in each of the last months beside those its rates by age let expect."""
    ends = [round(today.toordinal() - (MONTHS - number) * DAYS_PER_YEAR / 12) for number in range(MONTHS + 1)]
    events, days = months_by_age(rows, fitted, group, size=len(rates), ends=ends)
    effect = _effect(rows, group)
    counts, expected = events.sum(axis=2).astype(np.int64), (days * rates).sum(axis=2)
    return [_Chart(counts[:, place], expected[:, place], effect) for place in range(len(rates))]


def _columns(rows: CountingRows) -> tuple[Any, ...]:
    return rows.start, rows.stop, rows.event, rows.item, rows.site


def _places(item: Ints, group: Ints, wanted: Ints) -> Ints:
    """Give the group of each wanted item; ``item`` is in order, with one row or more an item."""
    return group[np.searchsorted(item, wanted)]


def _held(sums: AgeSums, rows: CountingRows, group: Ints) -> list[dict[str, Any]]:
    """Hold groups of rows against each other, age by age."""
    events, expected = sums.like_others()
    effect = _effect(rows, group)
    flags = flag_groups(events, expected, sums.failed_sites, design_effect=effect)
    total = float(events.sum())
    items, sites = (_different(each, group, size=events.size) for each in (rows.item, rows.site))
    return [
        {
            "events": int(events[place]),
            "expected": float(expected[place]),
            "failed_sites": int(sums.failed_sites[place]),
            "years": float(sums.days[place].sum()) / DAYS_PER_YEAR,
            "items": int(items[place]),
            "sites": int(sites[place]),
            "times": _times(events, expected, place, total=total, effect=effect),
            "p_value": None if np.isnan(flags.p_value[place]) else float(flags.p_value[place]),
            "running": None,
            "limit": None,
        }
        for place in range(events.size)
    ]


def _different(keys: Ints, group: Ints, *, size: int) -> Ints:
    """Count the different keys in each group."""
    pairs = np.unique(np.stack([group, keys]), axis=1)
    return np.bincount(pairs[0], minlength=size)


def _effect(rows: CountingRows, group: Ints) -> float:
    found = design_effect(rows.event, rows.stop - rows.start, rows.site, group=group)
    return 1.0 if np.isnan(found) else float(found)


def _times(
    events: Any, expected: Any, place: int, *, total: float, effect: float
) -> tuple[float, float, float] | None:
    """Give how many times as often as expected a group failed, both counts random."""
    others = total - float(events[place])
    if expected[place] <= 0 or others <= 0:
        return None
    found = rate_ratio(events[place], expected[place], others, others, design_effect=effect)
    return found.ratio, found.low, found.high


def _together(found: list[tuple[Watched, _Chart]], *, follow: bool) -> list[Watched]:
    """Adjust for all groups looked at in one night, and follow those that may be worth it."""
    q_values = benjamini_hochberg(
        [each.p_value if each.p_value is not None else float("nan") for each, _ in found]
    )
    return [
        replace(
            each,
            q_value=None if np.isnan(q) else float(q),
            **(_followed(chart, charts=len(found)) if follow and each.enough else {}),
        )
        for (each, chart), q in zip(found, q_values, strict=True)
    ]


def _followed(chart: _Chart, *, charts: int) -> dict[str, Any]:
    """Run a chart up to now, with a limit that lets one false alarm in ten years pass over all charts."""
    if not chart.expected.any():
        return {}
    limit = cusum_threshold(chart.expected, charts=charts, design_effect=chart.effect)
    sums = poisson_cusum(chart.counts, chart.expected, threshold=limit)
    return {"running": float(sums.path[-1]), "limit": limit}
