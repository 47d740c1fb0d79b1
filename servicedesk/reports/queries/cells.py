"""Time at risk and failures by group and site, as arrays: what rates are worked out from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.queries.exposure import departed_days, items_without_time, watched_by_site
from servicedesk.reports.queries.fates import Fate, findings_by_fate
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.selection import Selection
from servicedesk.reports.traits import MODE

Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Cells:
    """One row a group and site, in the order of both; ``group`` holds places in ``groups``.

    Attributes
    ----------
    groups : list
        Keys of the groups, with None for parts of which it is not recorded. Grouped by failure mode, a key is
        the kind of part and the mode's number as in ``track:12``; every mode of a kind has the same time at
        risk.
    group, site : ndarray
        Which group and which site a row is about.
    items, ageless, days, events : ndarray
        Items watched, those of unknown age among them, their days at risk, and their failures.
    piece_days : dict
        By place of the group, days at risk times pieces.
    excluded : dict
        Findings that count for nothing here, by why.
    without_time : int
        Parts that were watched for less than a day.
    """

    groups: list[Any]
    group: Ints
    site: Ints
    items: Ints
    ageless: Ints
    days: Ints
    events: Ints
    piece_days: dict[int, int]
    excluded: dict[Fate, int]
    without_time: int

    def of(self, place: int) -> slice:
        """Give the rows that are about the group at a place."""
        begin, end = np.searchsorted(self.group, [place, place + 1])
        return slice(int(begin), int(end))


def read_cells(selection: Selection, *, by: str) -> Cells:
    """Read time at risk and failures of a selection by group and site."""
    scope = Scope(selection, by)
    watched = watched_by_site(scope)
    departed = dict(departed_days(scope))
    events, fates = findings_by_fate(scope)
    if by == MODE:
        watched, departed = _for_each_mode(watched, departed, events)
    groups = sorted({row[0] for row in watched} | {row[0] for row in events}, key=_in_order)
    place = {key: number for number, key in enumerate(groups)}
    at_risk, failed = _columns(watched, place, width=6), _columns(events, place, width=3)
    cells = _joined(at_risk, failed)
    piece_days = np.bincount(at_risk[0], weights=at_risk[5], minlength=len(groups))
    return Cells(
        groups=groups,
        **cells,
        piece_days={
            number: int(piece_days[number]) - int(departed.get(key, 0)) for key, number in place.items()
        },
        excluded={fate: count for fate, count in fates.items() if fate != Fate.EVENT},
        without_time=items_without_time(scope),
    )


def _in_order(key: Any) -> tuple[bool, Any]:
    return (key is None, key)


def _for_each_mode(
    watched: list[tuple[Any, ...]], departed: dict[Any, int], events: list[tuple[Any, int, int]]
) -> tuple[list[tuple[Any, ...]], dict[Any, int]]:
    """Put the time at risk of a kind of part under each of the modes by which its parts failed."""
    modes: dict[str, set[str]] = {}
    for key, *_ in events:
        modes.setdefault(key.split(":")[0], set()).add(key)
    spread = [(key, *rest) for kind, *rest in watched for key in sorted(modes.get(kind, ()))]
    return spread, {key: departed.get(key.split(":")[0], 0) for keys in modes.values() for key in keys}


def _columns(rows: Sequence[tuple[Any, ...]], place: dict[Any, int], *, width: int) -> Ints:
    """Turn rows of a group and whole numbers into columns, the group as its place."""
    if not rows:
        return np.zeros((width, 0), dtype=np.int64)
    # Column by column: numpy takes many times as long over one nested list.
    columns = ([place[row[0]] for row in rows], *([row[i] for row in rows] for i in range(1, width)))
    return np.stack([np.fromiter(column, dtype=np.int64, count=len(rows)) for column in columns])


def _joined(at_risk: Ints, failed: Ints) -> dict[str, Ints]:
    """Put failures beside the time at risk of their group and site.

    A site can have failures and no time at risk within a window that ends on the day of fitting.
    """
    sites = 1 + max(int(column[1].max(initial=0)) for column in (at_risk, failed))
    cell = [column[0] * sites + column[1] for column in (at_risk, failed)]
    every = np.unique(np.concatenate(cell))
    rows = [np.searchsorted(every, each) for each in cell]

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
