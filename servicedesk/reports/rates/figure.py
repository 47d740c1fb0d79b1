"""Figure of failure rates by group, for page, file and command."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.comparison.verdicts import (
    ALONE,
    UNRECORDED,
    Family,
    Verdict,
    Word,
    judge_against_rest,
)
from servicedesk.reports.numerics.counts.empirical_bayes import shrink_rates
from servicedesk.reports.numerics.counts.jackknife import jackknife_rate
from servicedesk.reports.numerics.counts.rates import design_effect
from servicedesk.reports.queries.cells import Cells, read_cells
from servicedesk.reports.queries.exclusion_reasons import ExclusionReason
from servicedesk.reports.questions import judgements
from servicedesk.reports.questions.judgements import (
    DAYS_PER_YEAR,
    PER,
    POOLED_EVENTS,
    POOLED_GROUPS,
    Judged,
    judge_rate,
)
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import MODE, TRAITS, Key
from units.models import ComponentType, FailureMode, Kind

UNCOMPARED = ("part", MODE)
"""Groupings without comparison: different kinds of part, or failure modes, are no alternatives."""


@dataclass(frozen=True, kw_only=True)
class RateRow:
    """Failure rate of one group.

    ``key`` is the key of the group (None: not recorded), ``family`` the kind of part under which a type or a
    failure mode is listed ("" for other groups). ``pooled`` is the empirical-Bayes rate with its limits, per
    100 item-years.
    """

    key: Key | None
    name: str
    family: str
    events: int
    items: int
    sites: int
    years: float
    piece_years: float
    judged: Judged
    verdict: Verdict
    pooled: tuple[float, float, float] | None = None

    @property
    def caveat(self) -> str:
        """Sentence on the uncertainty of the rate."""
        return judgements.caveat(self.events, self.years, self.judged)


@dataclass(frozen=True, kw_only=True)
class RatesFigure:
    """Failure rates by group, and the counts of excluded records.

    ``design_effects`` has the design effect of shared sites by family.
    """

    selection: Selection
    by: str
    rows: list[RateRow]
    exclusions: dict[str, int]
    design_effect: float
    design_effects: dict[str, float]
    events: int
    sites: int
    years: float

    @property
    def compared(self) -> bool:
        """Whether the groups are compared with each other."""
        return self.by not in UNCOMPARED

    @property
    def pooled(self) -> bool:
        """Whether any group has an empirical-Bayes rate."""
        return any(row.pooled for row in self.rows)


def rates_figure(selection: Selection, *, by: str = "component") -> RatesFigure:
    """Compute the failure rate of every group in a selection."""
    cells = read_cells(selection, by=by)
    return rates_of(cells, group_names(cells.groups, by=by), selection=selection, by=by)


def rates_of(cells: Cells, names: Sequence[tuple[str, str]], *, selection: Selection, by: str) -> RatesFigure:
    """Compute failure rates from time at risk and failures by group and site.

    Parameters
    ----------
    cells
        Time at risk and failures.
    names
        For each group of the cells, the kind under which it is listed and its own name.
    selection, by
        Selection and grouping of the cells.
    """
    families = [name[0] for name in names]
    fleet = _effect(cells, range(len(cells.groups)))
    verdicts = _verdicts(cells, families, by=by)
    effects = _effects(cells, families, fleet=fleet)
    pooled = _pooled(cells, families, effects) if by not in UNCOMPARED else {}
    rows = [
        _row(cells, place, *names[place], verdicts[place], pooled=pooled.get(place), fleet=fleet)
        for place in range(len(cells.groups))
    ]
    return RatesFigure(
        selection=selection,
        by=by,
        rows=sorted(rows, key=lambda row: (row.family, row.key is None, row.name.casefold())),
        exclusions=exclusions(cells),
        design_effect=fleet,
        design_effects=effects,
        events=int(cells.events.sum()),
        sites=int(np.unique(cells.site[cells.days > 0]).size),
        years=_once(cells, by=by) / DAYS_PER_YEAR,
    )


def group_names(groups: Sequence[Any], *, by: str) -> list[tuple[str, str]]:
    """Display names of groups: the kind under which each is listed, and its own name."""
    if by == MODE:
        modes = FailureMode.objects.in_bulk([int(key.split(":")[1]) for key in groups])
        split = [(Kind(key.split(":")[0]).label, modes[int(key.split(":")[1])]) for key in groups]
        return [(str(kind), mode.name) for kind, mode in split]
    names = TRAITS[by].names(groups)
    if by != "component":
        return [("", names[key]) for key in groups]
    kinds = dict(ComponentType.objects.values_list("pk", "kind"))
    return [(str(Kind(kinds[key]).label), names[key]) for key in groups]


def exclusions(cells: Cells) -> dict[str, int]:
    """Counts of excluded and of noted records, by name of their sentence."""
    return {
        **{
            str(exclusion_reason): cells.excluded[exclusion_reason]
            for exclusion_reason in ExclusionReason
            if exclusion_reason != ExclusionReason.EVENT
        },
        "zero_length_items": cells.without_time,
        "age_unknown_items": int(cells.ageless.sum()),
        **cells.notes,
    }


def _row(
    cells: Cells,
    place: int,
    family: str,
    name: str,
    verdict: Verdict,
    *,
    pooled: tuple[float, float, float] | None,
    fleet: float,
) -> RateRow:
    side = _side(cells, place)
    return RateRow(
        key=cells.groups[place],
        name=name,
        family=family,
        events=side.events,
        items=int(cells.items[cells.of(place)].sum()),
        sites=side.sites,
        years=side.years,
        piece_years=cells.piece_days[place] / DAYS_PER_YEAR,
        judged=judge_rate(side.events, side.years, sites=side.sites, wider=_wider(cells, place, fleet=fleet)),
        verdict=verdict,
        pooled=pooled,
    )


def _wider(cells: Cells, place: int, *, fleet: float) -> tuple[float, float] | None:
    """Jackknife limits of a group's rate by site, None without time at risk."""
    days, events, site = (_rows(cells, [place], column) for column in ("days", "events", "site"))
    if days.size == 0:
        return None
    rate = jackknife_rate(events, days / DAYS_PER_YEAR, site, fleet_design_effect=fleet)
    return rate.low, rate.high


def _effects(cells: Cells, families: Sequence[str], *, fleet: float) -> dict[str, float]:
    """Design effect of each family."""
    together: dict[str, list[int]] = defaultdict(list)
    for place, family in enumerate(families):
        together[family].append(place)
    return {family: _effect(cells, places, otherwise=fleet) for family, places in together.items()}


def _pooled(
    cells: Cells, families: Sequence[str], effects: dict[str, float]
) -> dict[int, tuple[float, float, float]]:
    """Empirical-Bayes rates of each family with enough groups and failures."""
    pooled: dict[int, tuple[float, float, float]] = {}
    for family, effect in effects.items():
        places = [
            place
            for place, key in enumerate(cells.groups)
            if families[place] == family and key is not None and cells.days[cells.of(place)].any()
        ]
        sides = [_side(cells, place) for place in places]
        if len(places) < POOLED_GROUPS or sum(side.events for side in sides) < POOLED_EVENTS:
            continue
        shrunk = shrink_rates(
            [side.events for side in sides], [side.years for side in sides], design_effect=effect
        )
        for number, place in enumerate(places):
            values = (shrunk.rate[number], shrunk.low[number], shrunk.high[number])
            pooled[place] = (PER * float(values[0]), PER * float(values[1]), PER * float(values[2]))
    return pooled


def _verdicts(cells: Cells, families: list[str], *, by: str) -> list[Verdict]:
    """Verdicts on every group against the others of its kind."""
    size = len(cells.groups)
    if by in UNCOMPARED:
        return [Verdict(Word.NONE, "")] * size
    by_place: dict[int, Verdict] = {}
    together: dict[str, list[int]] = defaultdict(list)
    for place, key in enumerate(cells.groups):
        if key is None:
            by_place[place] = UNRECORDED
        elif cells.days[cells.of(place)].any():
            together[families[place]].append(place)
    compared = [places for places in together.values() if len(places) > 1]
    verdicts = judge_against_rest([_family(cells, places) for places in compared])
    for places, family_verdicts in zip(compared, verdicts, strict=True):
        by_place |= dict(zip(places, family_verdicts, strict=True))
    return [by_place.get(place, ALONE) for place in range(size)]


def _family(cells: Cells, places: list[int]) -> Family:
    """Family of some groups that are compared with each other."""
    group, site, events, days = (
        _rows(cells, places, column) for column in ("group", "site", "events", "days")
    )
    return Family(
        group=np.searchsorted(places, group),
        site=site,
        events=events.astype(np.float64),
        years=days / DAYS_PER_YEAR,
    )


@dataclass(frozen=True, kw_only=True)
class Side:
    """Failures, item-years and sites of one group."""

    events: int
    years: float
    sites: int


def _side(cells: Cells, place: int) -> Side:
    mine = cells.of(place)
    return Side(
        events=int(cells.events[mine].sum()),
        years=float(cells.days[mine].sum()) / DAYS_PER_YEAR,
        sites=int((cells.days[mine] > 0).sum()),
    )


def _rows(cells: Cells, places: Iterable[int], column: str) -> NDArray[np.int64]:
    """One column of some groups, of rows with time at risk."""
    arrays = [getattr(cells, column)[rows][cells.days[rows] > 0] for rows in map(cells.of, places)]
    return np.concatenate(arrays) if arrays else np.zeros(0, dtype=np.int64)


def _effect(cells: Cells, places: Sequence[int], *, otherwise: float = 1.0) -> float:
    """Design effect of some groups, or ``otherwise`` where it cannot be estimated."""
    days = _rows(cells, places, "days")
    if days.size == 0:
        return otherwise
    events, site, group = (_rows(cells, places, column) for column in ("events", "site", "group"))
    effect = design_effect(events, days, site, group=group)
    return otherwise if np.isnan(effect) else float(effect)


def _once(cells: Cells, *, by: str) -> int:
    """Total days at risk, counting each kind of part once where modes share them."""
    if by != MODE:
        return int(cells.days.sum())
    first = {key.split(":")[0]: place for place, key in reversed(list(enumerate(cells.groups)))}
    return sum(int(cells.days[cells.of(place)].sum()) for place in first.values())


def narrowed(selection: Selection, *, by: str, key: Any) -> Selection:
    """Selection narrowed to one group, for the link to its findings."""
    if by == MODE:
        kind, mode = key.split(":")
        return selection.only("part", kind).of_mode(int(mode))
    return selection.only(by, key)


def by_family(rows: Iterable[RateRow]) -> list[tuple[str, list[RateRow]]]:
    """Rows grouped by kind of part."""
    grouped: dict[str, list[RateRow]] = {}
    for row in rows:
        grouped.setdefault(row.family, []).append(row)
    return list(grouped.items())
