"""The rules of counting written down a second time, day by day and row by row, without SQL or arrays."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from servicedesk.calls.models import Finding
from servicedesk.reports.queries.fates import Fate
from servicedesk.reports.selection import Selection
from units.models import Departure, FailureMode, Fitment, ObservationPeriod, Unit

ONE_DAY = timedelta(days=1)


@dataclass
class Counts:
    """What the naive way comes to: by group, and in all."""

    items: dict[Any, set[int]] = field(default_factory=lambda: defaultdict(set))
    sites: dict[Any, set[int]] = field(default_factory=lambda: defaultdict(set))
    days: dict[Any, int] = field(default_factory=lambda: defaultdict(int))
    piece_days: dict[Any, int] = field(default_factory=lambda: defaultdict(int))
    events: dict[Any, int] = field(default_factory=lambda: defaultdict(int))
    excluded: dict[Fate, int] = field(default_factory=lambda: defaultdict(int))
    ageless: set[int] = field(default_factory=set)
    without_time: int = 0


def naive_counts(chosen: Selection, *, by: str) -> Counts:
    """Count a whole register for one selection, a day at a time."""
    counts = Counts()
    for part in _parts():
        if not _is_chosen(part, chosen):
            continue
        group = group_of(part, by)
        days = [day for day in _days_at_risk(part, chosen.as_of) if _counts(day, chosen)]
        if days:
            counts.items[group].add(part.pk)
            counts.sites[group].add(part.unit.site_id)
            counts.days[group] += len(days)
            counts.piece_days[group] += sum(_pieces_on(part, day) for day in days)
            if not part.age_known:
                counts.ageless.add(part.pk)
        counts.without_time += _is_without_time(part, chosen)
    for finding, fate in fated_findings(chosen):
        if fate == Fate.EVENT:
            assert finding.fitment is not None
            counts.events[_event_group(finding, by)] += 1
        else:
            counts.excluded[fate] += 1
    return counts


def fated_findings(chosen: Selection) -> Iterator[tuple[Finding, Fate]]:
    """Say of every finding of a selection what it counts as."""
    first: dict[tuple[Any, ...], int] = {}
    findings = Finding.objects.select_related(
        "fitment__component_type", "fitment__unit__site", "unit__site", "mode"
    )
    for finding in findings.order_by("pk"):
        eligible = (
            finding.is_failure and not finding.repeat and not finding.continues_id and finding.fitment_id
        )
        place = (
            finding.unit_id,
            finding.mode_id,
            finding.found_on,
            finding.panel,
            finding.corner,
            finding.place,
        )
        twin = bool(eligible) and first.setdefault(place, finding.pk) != finding.pk
        if not _finding_is_chosen(finding, chosen):
            continue
        yield finding, _fate(finding, twin=twin, as_of=chosen.as_of)


def group_of(part: Fitment, by: str) -> Any:
    """Name the group of a part."""
    unit = part.unit
    sector = None if unit.facing is None else next(k for k in range(8) if _in_sector(unit.facing, k))
    return {
        "": 0,
        "component": part.component_type_id,
        "part": part.kind,
        "mode": part.kind,
        "construction": unit.construction_id,
        "finish": unit.finish or None,
        "facing": sector,
        "shade": unit.shade or None,
        "sun": _sun(unit),
        "coast": unit.site.coast or None,
        "lot": part.lot or None,
        "year": part.fitted_on.year if part.age_known else None,
    }[by]


def spans_of(part: Fitment, as_of: date) -> list[tuple[int, int]]:
    """Give the ages between which a part was at risk, one pair a watched span."""
    spans = []
    for period in sorted(part.unit.periods.all(), key=lambda each: each.from_on):
        ends = [end for end in (part.removed_on, period.until_on, as_of) if end is not None]
        begin, end = max(part.fitted_on, period.from_on), min(ends)
        if begin < end:
            spans.append(((begin - part.fitted_on).days, (end - part.fitted_on).days))
    return spans


def chosen_parts(chosen: Selection) -> Iterator[Fitment]:
    """Give the parts of a selection."""
    return (part for part in _parts() if _is_chosen(part, chosen))


def _parts() -> Iterable[Fitment]:
    return (
        Fitment.objects.select_related("unit__site", "component_type")
        .prefetch_related("unit__periods", "departures")
        .order_by("pk")
    )


def _sun(unit: Unit) -> str | None:
    """Say how much sun a unit gets, by the words of the page."""
    if unit.shade == "full":
        return "little"
    if unit.facing is None or not unit.shade:
        return None
    from_south_east_to_west = 112.5 <= unit.facing <= 292.5
    return {2: "full", 1: "some", 0: "little"}[from_south_east_to_west + (unit.shade == "none")]


def _in_sector(bearing: int, sector: int) -> bool:
    return abs((bearing - 45 * sector + 180) % 360 - 180) <= 22.5


def _event_group(finding: Finding, by: str) -> Any:
    assert finding.fitment is not None
    group = group_of(finding.fitment, by)
    return f"{group}:{finding.mode_id}" if by == "mode" else group


def _is_chosen(part: Fitment, chosen: Selection) -> bool:
    return all(group_of(part, name) in keys for name, keys in chosen.traits)


def _finding_is_chosen(finding: Finding, chosen: Selection) -> bool:
    if not _counts(finding.found_on, chosen) or chosen.mode not in (None, finding.mode_id):
        return False
    if finding.fitment is not None:
        return _is_chosen(finding.fitment, chosen)
    nobodys = Fitment(unit=finding.unit, fitted_on=finding.found_on)
    for name, keys in chosen.traits:
        if name == "part" and finding.mode.kind not in keys:
            return False
        if name == "component" and finding.mode.kind not in _kinds(keys):
            return False
        unit_traits = ("construction", "finish", "facing", "shade", "sun", "coast")
        if name in unit_traits and group_of(nobodys, name) not in keys:
            return False
    return True


def _kinds(types: Iterable[Any]) -> set[str]:
    from units.models import ComponentType

    return set(ComponentType.objects.filter(pk__in=list(types)).values_list("kind", flat=True))


def _counts(day: date, chosen: Selection) -> bool:
    return (chosen.from_on is None or day >= chosen.from_on) and day <= chosen.last


def _days_at_risk(part: Fitment, as_of: date) -> list[date]:
    return [
        part.fitted_on + age * ONE_DAY
        for begin, end in spans_of(part, as_of)
        for age in range(begin + 1, end + 1)
    ]


def _pieces_on(part: Fitment, day: date) -> int:
    """Count the pieces at risk on a day: those that left on an earlier day are gone."""
    return part.pieces - sum(gone.pieces for gone in part.departures.all() if gone.left_on < day)


def _is_without_time(part: Fitment, chosen: Selection) -> bool:
    if spans_of(part, chosen.as_of):
        return False
    for period in part.unit.periods.all():
        ends = [end for end in (part.removed_on, period.until_on, chosen.as_of) if end is not None]
        begin = max(part.fitted_on, period.from_on)
        if begin == min(ends) and _counts(begin, chosen):
            return True
    return False


def _fate(finding: Finding, *, twin: bool, as_of: date) -> Fate:
    if not finding.is_failure:
        return Fate.WEAR_ONLY
    if finding.repeat or finding.continues_id:
        return Fate.REPEAT
    part = finding.fitment
    if part is None:
        return Fate.PART_UNKNOWN
    if twin:
        return Fate.SAME_EVENT
    age = (finding.found_on - part.fitted_on).days
    spans = spans_of(part, as_of)
    if any(begin < age <= end for begin, end in spans) or (
        age == 0 and any(begin == 0 for begin, _ in spans)
    ):
        return Fate.EVENT
    in_place = age >= 0 and (part.removed_on is None or finding.found_on <= part.removed_on)
    periods = list(part.unit.periods.all())
    if in_place and any(p.from_on == finding.found_on and p.from_on > part.fitted_on for p in periods):
        return Fate.AT_TAKE_OVER
    watched = any(
        p.from_on <= finding.found_on and (p.until_on is None or finding.found_on <= p.until_on)
        for p in periods
    )
    return Fate.NO_TIME if in_place and watched else Fate.NOT_WATCHED


__all__ = [
    "Counts",
    "Departure",
    "FailureMode",
    "ObservationPeriod",
    "Unit",
    "chosen_parts",
    "fated_findings",
    "group_of",
    "naive_counts",
    "spans_of",
]
