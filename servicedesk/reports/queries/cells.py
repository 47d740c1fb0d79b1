"""Time at risk and failures by group and site, as arrays: the input of rates."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.queries.exclusion_reasons import ExclusionReason, findings_by_exclusion_reason
from servicedesk.reports.queries.exposure import (
    at_risk_by_site,
    departed_days,
    items_without_time,
    units_noted,
)
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import MODE

Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Counted:
    """Query results by group and site as columns, and totals.

    ``watched`` has the index of the group in ``groups``, site, items, ageless items, days, days times
    pieces, and days up to the last inspection; ``events`` the index of the group in ``event_groups``, site,
    failures, and those of modes that only an inspection shows. A group is a number, a text, or None.
    """

    groups: list[Any]
    watched: Ints
    departed: dict[Any, int]
    event_groups: list[Any]
    events: Ints
    exclusion_reasons: dict[ExclusionReason, int]
    without_time: int
    notes: dict[str, int]


@dataclass(frozen=True, eq=False)
class Cells:
    """Time at risk and failures, one row a group and site, in the order of both.

    Attributes
    ----------
    groups : list
        Keys of the groups, with None for parts of which it is not recorded. Grouped by failure mode, a key is
        the kind of part and the mode's number as in ``track:12``; every mode of a kind has the same time at
        risk.
    group, site : ndarray
        Index of the group in ``groups``, and site of each row.
    items, ageless, days, events : ndarray
        Items at risk, those of unknown age among them, their days at risk, and their failures. For modes that
        only an inspection shows, time ends at the last inspection: days are such that failures divided by
        them are the sum of the rates of both sorts of mode.
    piece_days : dict
        By index of the group, days at risk times pieces.
    excluded : dict
        Excluded findings, by reason.
    without_time : int
        Parts at risk for less than a day.
    notes : dict
        Counts by name of a sentence (`exclusion_words`).
    """

    groups: list[Any]
    group: Ints
    site: Ints
    items: Ints
    ageless: Ints
    days: Ints
    events: Ints
    piece_days: dict[int, int]
    excluded: dict[ExclusionReason, int]
    without_time: int
    notes: dict[str, int]

    def of(self, place: int) -> slice:
        """Rows of the group at an index."""
        begin, end = np.searchsorted(self.group, [place, place + 1])
        return slice(int(begin), int(end))


def read_cells(selection: Selection, *, by: str) -> Cells:
    """Read time at risk and failures of a selection by group and site."""
    scope = Scope(selection, by)
    return _as_cells(_count(scope), scope)


def _count(scope: Scope) -> Counted:
    watched = at_risk_by_site(scope)
    events, exclusion_reasons = findings_by_exclusion_reason(scope)
    groups, failed = ({row[0]: None for row in rows} for rows in (watched, events))
    return Counted(
        groups=list(groups),
        watched=_columns(watched, {key: place for place, key in enumerate(groups)}, width=7),
        departed=dict(departed_days(scope)),
        event_groups=list(failed),
        events=_columns(events, {key: place for place, key in enumerate(failed)}, width=4),
        exclusion_reasons=exclusion_reasons,
        without_time=items_without_time(scope),
        notes=units_noted(scope) | {"newest_events": sum(row[4] for row in events)},
    )


def _as_cells(counted: Counted, scope: Scope) -> Cells:
    """Cells from query results, in the order of groups and sites."""
    of_inspections = counted.events[3].sum()
    if scope.by == MODE:
        counted = _for_each_mode(counted, {str(mode) for mode in scope.inspection_modes})
    groups = sorted({*counted.groups, *counted.event_groups}, key=_in_order)
    place = {key: number for number, key in enumerate(groups)}
    at_risk, failed = counted.watched.copy(), counted.events.copy()
    at_risk[0] = joined_up([place[key] for key in counted.groups], at_risk[0])
    failed[0] = joined_up([place[key] for key in counted.event_groups], failed[0])
    piece_days = np.bincount(at_risk[0], weights=at_risk[5], minlength=len(groups))
    at_risk[4] = at_risk[6] if scope.by_inspections else _days_of_both(at_risk, failed, groups=len(groups))
    return Cells(
        groups=groups,
        **_joined(at_risk, failed),
        piece_days={
            number: int(piece_days[number]) - int(counted.departed.get(key, 0))
            for key, number in place.items()
        },
        excluded={
            exclusion_reason: count
            for exclusion_reason, count in counted.exclusion_reasons.items()
            if exclusion_reason != ExclusionReason.EVENT
        },
        without_time=counted.without_time,
        notes=counted.notes | {"look_events": int(of_inspections)},
    )


def _days_of_both(at_risk: Ints, failed: Ints, *, groups: int) -> Ints:
    """Effective days at risk such that the rates of both sorts of mode add up.

    With n failures of modes that show themselves in T days and m of modes that only an inspection shows in L
    days, the rate is n/T + m/L: as if all n + m had happened in days between L and T.
    """
    whole, inspected = (np.bincount(at_risk[0], weights=at_risk[row], minlength=groups) for row in (4, 6))
    every, shown = (np.bincount(failed[0], weights=failed[row], minlength=groups) for row in (2, 3))
    with np.errstate(divide="ignore", invalid="ignore"):
        days = every / ((every - shown) / whole + shown / inspected)
        share = np.where((shown > 0) & (whole > inspected), (whole - days) / (whole - inspected), 0.0)
    days_less = share[at_risk[0]] * (at_risk[4] - at_risk[6])
    return at_risk[4] - np.rint(days_less).astype(np.int64)


def _in_order(key: Any) -> tuple[bool, Any]:
    return (key is None, key)


def _for_each_mode(counted: Counted, inspection_modes: Collection[str]) -> Counted:
    """Repeat the time at risk of a kind of part for each of the modes by which its parts failed."""
    modes: dict[str, list[str]] = {}
    for key in sorted(counted.event_groups):
        modes.setdefault(key.split(":")[0], []).append(key)
    groups: list[Any] = []
    spread = [np.zeros((7, 0), dtype=np.int64)]
    for number, kind in enumerate(counted.groups):
        mine = counted.watched[:, counted.watched[0] == number]
        for key in modes.get(kind, ()):
            again = mine.copy()
            again[0] = len(groups)
            if key.split(":")[1] in inspection_modes:
                again[4] = again[6]
            groups.append(key)
            spread.append(again)
    departed = {key: counted.departed.get(kind, 0) for kind, keys in modes.items() for key in keys}
    return replace(counted, groups=groups, watched=np.concatenate(spread, axis=1), departed=departed)


def _columns(rows: Sequence[tuple[Any, ...]], place: dict[Any, int], *, width: int) -> Ints:
    """Columns from rows of a group and integers, the group as its index."""
    if not rows:
        return np.zeros((width, 0), dtype=np.int64)
    # Column by column: numpy takes many times as long for one nested list.
    columns = ([place[row[0]] for row in rows], *([row[i] for row in rows] for i in range(1, width)))
    return np.stack([np.fromiter(column, dtype=np.int64, count=len(rows)) for column in columns])


DENSE = 50_000_000
"""Number of possible cells up to which a dense mask is used: much faster than sorting the present ones."""


def _distinguished(cells: list[Ints], *, size: int) -> tuple[Ints, list[Ints]]:
    """Distinct cells in order, and the index among them of each cell of some lists."""
    if size > DENSE:
        every = np.unique(np.concatenate(cells))
        return every, [np.searchsorted(every, each) for each in cells]
    there = np.zeros(size, dtype=np.bool_)
    for each in cells:
        there[each] = True
    place = np.cumsum(there) - 1
    return np.flatnonzero(there), [place[each] for each in cells]


def _joined(at_risk: Ints, failed: Ints) -> dict[str, Ints]:
    """Outer join of time at risk and failures by group and site.

    A site can have failures and no time at risk within a window that ends on the day of fitting.
    """
    sites = 1 + max(int(column[1].max(initial=0)) for column in (at_risk, failed))
    cell = [column[0] * sites + column[1] for column in (at_risk, failed)]
    groups = 1 + max(int(column[0].max(initial=0)) for column in (at_risk, failed))
    every, rows = _distinguished(cell, size=groups * sites)

    def spread(values: Ints, where: Ints) -> Ints:
        column = np.zeros(every.size, dtype=np.int64)
        column[where] = values
        return column

    return {
        "group": every // sites,
        "site": every % sites,
        "items": spread(at_risk[2], rows[0]),
        "ageless": spread(at_risk[3], rows[0]),
        "days": spread(at_risk[4], rows[0]),
        "events": spread(failed[2], rows[1]),
    }


def joined_up(places: Sequence[int], numbers: Ints) -> Ints:
    """Indexes of groups, from their numbers."""
    return np.array(places, dtype=np.int64)[numbers] if places else numbers
