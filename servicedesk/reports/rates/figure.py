"""How often parts fail: the rows of the rates page, of its file and of the command, worked out once."""

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
"""Different kinds of part, or different failures, are no alternatives to each other: nothing is compared."""


@dataclass(frozen=True, kw_only=True)
class RateRow:
    """What one group has to show.

    ``key`` is the group inside (None: not recorded), ``family`` the kind of part under which a type or a
    failure mode is listed ("" for other groups). ``pooled`` is the rate drawn toward those of the others,
    with its limits, per 100 item-years.
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
        """How sure the rate is, in a sentence."""
        return judgements.caveat(self.events, self.years, self.judged)


@dataclass(frozen=True, kw_only=True)
class RatesFigure:
    """Failure rates by group, and what was left out.

    ``design_effects`` holds by family how much shared sites inflate the variance of its counts.
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
        """Whether the groups are held against each other."""
        return self.by not in UNCOMPARED

    @property
    def pooled(self) -> bool:
        """Whether any rate is drawn toward the others."""
        return any(row.pooled for row in self.rows)


def rates_figure(selection: Selection, *, by: str = "component") -> RatesFigure:
    """Work out the failure rate of every group in a selection."""
    cells = read_cells(selection, by=by)
    return rates_of(cells, group_names(cells.groups, by=by), selection=selection, by=by)


def rates_of(cells: Cells, names: Sequence[tuple[str, str]], *, selection: Selection, by: str) -> RatesFigure:
    """Work out failure rates from time at risk and failures by group and site.

    Parameters
    ----------
    cells
        What was counted.
    names
        Of each group of the cells, the kind under which it is listed and its own name.
    selection, by
        What was counted, and how it is grouped.
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
    """Name groups as people read them: the kind under which each is listed, and its own name."""
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
    """Say what was left out, or counted although something about it is not known."""
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
    """Give the limits of a group's failures an item-year that allow for shared sites."""
    days, events, site = (_rows(cells, [place], column) for column in ("days", "events", "site"))
    if days.size == 0:
        return None
    rate = jackknife_rate(events, days / DAYS_PER_YEAR, site, fleet_design_effect=fleet)
    return rate.low, rate.high


def _effects(cells: Cells, families: Sequence[str], *, fleet: float) -> dict[str, float]:
    """Estimate for each family how much shared sites inflate the variance."""
    together: dict[str, list[int]] = defaultdict(list)
    for place, family in enumerate(families):
        together[family].append(place)
    return {family: _effect(cells, places, otherwise=fleet) for family, places in together.items()}


def _pooled(
    cells: Cells, families: Sequence[str], effects: dict[str, float]
) -> dict[int, tuple[float, float, float]]:
    """Draw the rates of each family together, where there are enough groups and failures to learn from."""
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
    """Hold every group against the others of its kind."""
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
    """Put some groups beside each other."""
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
    """Take one column of some groups, where they have time at risk."""
    arrays = [getattr(cells, column)[rows][cells.days[rows] > 0] for rows in map(cells.of, places)]
    return np.concatenate(arrays) if arrays else np.zeros(0, dtype=np.int64)


def _effect(cells: Cells, places: Sequence[int], *, otherwise: float = 1.0) -> float:
    """Estimate how much shared sites inflate the variance; the whole fleet lends where a few groups can't."""
    days = _rows(cells, places, "days")
    if days.size == 0:
        return otherwise
    events, site, group = (_rows(cells, places, column) for column in ("events", "site", "group"))
    effect = design_effect(events, days, site, group=group)
    return otherwise if np.isnan(effect) else float(effect)


def _once(cells: Cells, *, by: str) -> int:
    """Add up the days at risk, of each kind of part once where modes share them."""
    if by != MODE:
        return int(cells.days.sum())
    first = {key.split(":")[0]: place for place, key in reversed(list(enumerate(cells.groups)))}
    return sum(int(cells.days[cells.of(place)].sum()) for place in first.values())


def narrowed(selection: Selection, *, by: str, key: Any) -> Selection:
    """Narrow a selection to one group, for the way down to its findings."""
    if by == MODE:
        kind, mode = key.split(":")
        return selection.only("part", kind).of_mode(int(mode))
    return selection.only(by, key)


def by_family(rows: Iterable[RateRow]) -> list[tuple[str, list[RateRow]]]:
    """Put rows under the kind of part they belong to."""
    grouped: dict[str, list[RateRow]] = {}
    for row in rows:
        grouped.setdefault(row.family, []).append(row)
    return list(grouped.items())
