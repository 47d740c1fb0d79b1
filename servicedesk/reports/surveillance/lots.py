"""Surveillance of lots and types: flags against the others, and CUSUM charts of recent months."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np

from servicedesk.reports.histories import Histories
from servicedesk.reports.numerics.counts.site_variance import pooled_variance
from servicedesk.reports.numerics.counts.unlike_sites import ratio_limits
from servicedesk.reports.numerics.surveillance.false_raises import raises_over_all
from servicedesk.reports.numerics.surveillance.flags import (
    FEWEST_EVENTS,
    FEWEST_SITES,
    FLAGGED_AT,
    RUN_LENGTH,
    adjusted,
    cusum_threshold,
    flag_groups,
    poisson_cusum,
)
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.surveillance.groups import Chart, Comparison, compare_all
from units.models import ComponentType

CONFIDENCE: Final = 0.95

MONTHS_A_YEAR: Final = 12


@dataclass(frozen=True, kw_only=True)
class WatchedGroup:
    """Surveillance result of one lot of a type, or of a whole type (``lot`` empty).

    ``events`` are its failures at ages at which others were at risk too, ``expected`` those expected if it
    failed like the others, and ``times`` their ratio with its limits. ``q_value`` is the share of false
    alarms among all with as small a p-value; None where it could not be tested. ``running`` is the present
    value of its CUSUM chart, and ``limit`` the threshold; None where it had too few failures for a chart.
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
    q_value: float | None = None
    running: float | None = None
    limit: float | None = None

    @property
    def enough(self) -> bool:
        """Whether it has enough failures, at enough sites, to be flagged at all."""
        return self.events >= FEWEST_EVENTS and self.failed_sites >= FEWEST_SITES

    @property
    def thin(self) -> bool:
        """Whether it is a lot that failed more than expected, but with too few failures to judge."""
        untold = not self.enough or self.p_value is None
        return bool(self.lot) and self.events > self.expected and untold

    @property
    def flagged(self) -> bool:
        """Whether it fails more often than the others over all, by its q-value."""
        return self.enough and self.q_value is not None and self.q_value <= FLAGGED_AT

    @property
    def rising(self) -> bool:
        """Whether its CUSUM chart is above the threshold."""
        return (
            self.enough and self.running is not None and self.limit is not None and self.running > self.limit
        )


@dataclass(frozen=True, kw_only=True)
class Survey:
    """Results of one surveillance of all lots and types, with the expected false flags a year.

    ``tested`` is the number that could be tested. ``false_over_all`` is the number of flags a year expected
    from the test over all if nothing were wrong with any.
    """

    charts: Sequence[WatchedGroup]
    tested: int
    false_over_all: float

    @property
    def false_a_year(self) -> float:
        """Expected false flags a year, of both tests."""
        return self.false_over_all + MONTHS_A_YEAR / RUN_LENGTH


def survey_lots(today: date) -> Survey:
    """Test every lot against the others of its type, and every type against the others of its kind."""
    types = ComponentType.objects.order_by("kind", "name")
    chosen = Selection(as_of=today)
    return look_at(
        ((each, read_histories(chosen.only("component", each.pk), by="lot")) for each in types), today=today
    )


def look_at(types: Iterable[tuple[ComponentType, Histories]], *, today: date, follow: bool = True) -> Survey:
    """Test lots and types from the histories of each type grouped by lot.

    Without ``follow`` there are no CUSUM charts, which take longest.
    """
    comparisons = compare_all(types, today=today)
    variances = _variances(comparisons)
    charts = _judged_together(
        [
            each
            for comparison, variance in zip(comparisons, variances, strict=True)
            for each in _held(comparison, variance=variance)
        ]
    )
    tested = sum(each.p_value is not None for each in charts)
    return Survey(
        charts=_followed(charts, comparisons, today=today) if follow else charts,
        tested=tested,
        false_over_all=sum(
            raises_over_all(each.cells, each.a_year(today), variance=variance, chance=FLAGGED_AT / tested)
            for each, variance in zip(comparisons, variances, strict=True)
            if tested
        ),
    )


def _variances(comparisons: Sequence[Comparison]) -> list[float]:
    """Variance of site effects for each comparison, at least that of the whole fleet.

    The estimate from one type is imprecise, and often too small.
    """
    moments = [each.cells.moments() for each in comparisons]
    fleet = pooled_variance(
        each for each, comparison in zip(moments, comparisons, strict=True) if comparison.among_lots
    )
    return [max(fleet, each.variance) for each in moments]


def _held(comparison: Comparison, *, variance: float) -> list[WatchedGroup]:
    """Test the named groups of a comparison against all its others."""
    sums, cells = comparison.sums, comparison.cells
    events, expected = sums.like_others()
    flags = flag_groups(events, expected, sums.failed_sites, cells=cells, variance=variance)
    others = events.sum() - events
    known = (expected > 0) & (others > 0)
    low, high = np.zeros((2, events.size))
    low[known], high[known] = ratio_limits(
        events[known],
        others[known],
        due=expected[known],
        variance=variance * cells.felt()[known],
        confidence=CONFIDENCE,
    )
    items, sites = (comparison.different(keys) for keys in (comparison.rows.item, comparison.rows.site))
    return [
        WatchedGroup(
            **name._asdict(),
            events=int(events[place]),
            expected=float(expected[place]),
            failed_sites=int(sums.failed_sites[place]),
            years=float(sums.days[place].sum()) / DAYS_PER_YEAR,
            items=int(items[place]),
            sites=int(sites[place]),
            times=(float(events[place] / expected[place]), float(low[place]), float(high[place]))
            if known[place]
            else None,
            p_value=None if np.isnan(flags.p_value[place]) else float(flags.p_value[place]),
        )
        for place, name in enumerate(comparison.names)
        if name is not None
    ]


def _judged_together(charts: list[WatchedGroup]) -> list[WatchedGroup]:
    """Q-values over all groups tested in one night."""
    p_values = np.array([np.nan if each.p_value is None else each.p_value for each in charts])
    q_values = adjusted(p_values, enough=np.array([each.enough for each in charts], dtype=np.bool_))
    return [
        replace(each, q_value=None if np.isnan(q) else float(q))
        for each, q in zip(charts, q_values, strict=True)
    ]


def _followed(
    charts: list[WatchedGroup], comparisons: Sequence[Comparison], *, today: date
) -> list[WatchedGroup]:
    """CUSUM charts up to now of each group with enough failures.

    The thresholds allow one false alarm in ten years over all charts.
    """
    followed: list[WatchedGroup] = []
    each_chart = iter(charts)
    for comparison in comparisons:
        mine = {place: next(each_chart) for place, name in enumerate(comparison.names) if name is not None}
        places = np.array([place for place, each in mine.items() if each.enough], dtype=np.int64)
        for place, chart in zip(places, comparison.charts(places, today=today), strict=True):
            mine[place] = _run(mine[place], chart, charts=len(charts))
        followed += mine.values()
    return followed


def _run(watched: WatchedGroup, chart: Chart, *, charts: int) -> WatchedGroup:
    """Run the CUSUM chart of a group up to now."""
    if not chart.expected.any():
        return watched
    limit = cusum_threshold(chart.expected, charts=charts, design_effect=chart.effect)
    sums = poisson_cusum(chart.counts, chart.expected, threshold=limit)
    return replace(watched, running=float(sums.path[-1]), limit=limit)
