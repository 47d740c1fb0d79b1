"""The rules of counting written down a second time, day by day and row by row, without SQL or arrays."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from django.utils import timezone

from servicedesk.calls.models import Call, Finding, Inspection, Work
from servicedesk.reports.queries.exclusion_reasons import ExclusionReason
from servicedesk.reports.questions.selection import Selection
from units.models import FailureMode, InstalledPart, ObservationPeriod, PartialRemoval, Unit

ONE_DAY = timedelta(days=1)


@dataclass
class Counts:
    """What the naive way comes to: by group, and in all."""

    items: dict[Any, set[int]] = field(default_factory=lambda: defaultdict(set))
    sites: dict[Any, set[int]] = field(default_factory=lambda: defaultdict(set))
    days: dict[Any, int] = field(default_factory=lambda: defaultdict(int))
    piece_days: dict[Any, int] = field(default_factory=lambda: defaultdict(int))
    events: dict[Any, int] = field(default_factory=lambda: defaultdict(int))
    looked_days: dict[Any, int] = field(default_factory=lambda: defaultdict(int))
    look_events: dict[Any, int] = field(default_factory=lambda: defaultdict(int))
    excluded: dict[ExclusionReason, int] = field(default_factory=lambda: defaultdict(int))
    ageless: set[int] = field(default_factory=set)
    without_time: int = 0


def naive_counts(chosen: Selection, *, by: str) -> Counts:
    """Count a whole register for one selection, a day at a time."""
    counts = Counts()
    for part in _parts(chosen.as_of):
        if not _is_chosen(part, chosen):
            continue
        group = group_of(part, by)
        days = [day for day in _days_at_risk(part, chosen.as_of) if _counts(day, chosen)]
        if days:
            counts.items[group].add(part.pk)
            counts.sites[group].add(part.unit.site_id)
            counts.days[group] += len(days)
            surveyed_on = last_look(part.unit, chosen.as_of)
            counts.looked_days[group] += sum(surveyed_on is not None and day <= surveyed_on for day in days)
            counts.piece_days[group] += sum(_pieces_on(part, day) for day in days)
            if not part.age_known:
                counts.ageless.add(part.pk)
        counts.without_time += _is_without_time(part, chosen)
    for finding, exclusion_reason in findings_with_reasons(chosen):
        if exclusion_reason == ExclusionReason.EVENT:
            assert finding.installed_part is not None
            counts.events[_event_group(finding, by)] += 1
            counts.look_events[_event_group(finding, by)] += finding.mode.only_at_look
        else:
            counts.excluded[exclusion_reason] += 1
    return counts


def findings_with_reasons(chosen: Selection) -> Iterator[tuple[Finding, ExclusionReason]]:
    """Say of every finding of a selection what it counts as."""
    first: dict[tuple[Any, ...], int] = {}
    lost = lost_sites(chosen.as_of)
    imported = {_place(each) for each in Finding.objects.all() if each.batch_id and _eligible(each)}
    findings = Finding.objects.select_related(
        "installed_part__component_type", "installed_part__unit__site", "unit__site", "mode", "call"
    )
    for finding in findings.order_by("pk"):
        place = _place(finding)
        event = (*place, finding.ref) if finding.batch_id else place
        twin = _eligible(finding) and (
            first.setdefault(event, finding.pk) != finding.pk or (not finding.batch_id and place in imported)
        )
        if not _finding_is_chosen(finding, chosen):
            continue
        if finding.installed_part is not None:
            finding.installed_part.lost_on = lost.get(finding.unit.site_id)  # type: ignore[attr-defined]
        yield finding, _exclusion_reason(finding, twin=twin, as_of=chosen.as_of)


def lost_sites(as_of: date) -> dict[int, date]:
    """Give the sites cared for by us or once that were silent for two years, and when last heard of."""
    looks: dict[int, set[date]] = defaultdict(set)
    contacts: dict[int, set[date]] = defaultdict(set)
    for inspection in Inspection.objects.select_related("unit"):
        looks[inspection.unit.site_id].add(inspection.inspected_on)
    for work in Work.objects.select_related("unit"):
        contacts[work.unit.site_id].add(work.done_on)
        if work.kind in ("cleaned", "lubricated", "checked"):
            looks[work.unit.site_id].add(work.done_on)
    for period in ObservationPeriod.objects.select_related("unit__site"):
        if period.unit.site.care_by == "us":
            looks[period.unit.site_id].add(period.from_on)
        contacts[period.unit.site_id].add(period.from_on)
        if period.until_on is None and period.last_contact_on is not None:
            looks[period.unit.site_id].add(period.last_contact_on)
    for finding in Finding.objects.select_related("unit"):
        contacts[finding.unit.site_id].add(finding.found_on)
    for call in Call.objects.all():
        contacts[call.site_id].add(timezone.localdate(call.reported_at))
    heard = {
        site: max(on for on in looks[site] | contacts[site] if on <= as_of)
        for site in looks
        if any(on <= as_of for on in looks[site])
    }
    return {site: on for site, on in heard.items() if (as_of - on).days > 730}


def last_look(unit: Unit, as_of: date) -> date | None:
    """Give the last day on which a look at a unit would have shown what only a look shows."""
    days = [inspection.inspected_on for inspection in unit.inspections.all()]
    days += [w.done_on for w in unit.works.all() if w.kind in ("cleaned", "lubricated", "checked")]
    days += [finding.found_on - ONE_DAY for finding in unit.findings.all() if finding.mode.only_at_look]
    return max((on for on in days if on <= as_of), default=None)


def _eligible(finding: Finding) -> bool:
    """Whether a finding may be a failure of its own."""
    again = finding.repeat or finding.continues_id
    return bool(finding.is_failure and not again and finding.installed_part_id)


def _place(finding: Finding) -> tuple[Any, ...]:
    where = (finding.panel, finding.corner, finding.place)
    return finding.unit_id, finding.mode_id, finding.found_on, *where


def group_of(part: InstalledPart, by: str) -> Any:
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


def spans_of(part: InstalledPart, as_of: date) -> list[tuple[int, int]]:
    """Give the ages between which a part was at risk, one pair a watched span."""
    spans = []
    for period in sorted(part.unit.periods.all(), key=lambda each: each.from_on):
        ends = [end for end in (part.removed_on, _end(part, period), as_of) if end is not None]
        begin, end = max(part.fitted_on, period.from_on), min(ends)
        if begin < end:
            spans.append(((begin - part.fitted_on).days, (end - part.fitted_on).days))
    return spans


def _end(part: InstalledPart, period: ObservationPeriod) -> date | None:
    """Give the day up to which we heard of a unit in a period, None for still."""
    until = period.until_on
    if period.ended in ("lapsed", "sold") and period.last_contact_on is not None:
        until = period.last_contact_on
    lost_on: date | None = part.lost_on  # type: ignore[attr-defined]
    ends = [end for end in (until, lost_on and lost_on - ONE_DAY) if end is not None]
    return min(ends, default=None)


def chosen_parts(chosen: Selection) -> Iterator[InstalledPart]:
    """Give the parts of a selection."""
    return (part for part in _parts(chosen.as_of) if _is_chosen(part, chosen))


def _parts(as_of: date) -> Iterable[InstalledPart]:
    lost = lost_sites(as_of)
    parts = (
        InstalledPart.objects.select_related("unit__site", "component_type")
        .prefetch_related(
            "unit__periods", "partial_removals", "unit__inspections", "unit__works", "unit__findings__mode"
        )
        .order_by("pk")
    )
    for part in parts:
        part.lost_on = lost.get(part.unit.site_id)  # type: ignore[attr-defined]
        yield part


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
    assert finding.installed_part is not None
    group = group_of(finding.installed_part, by)
    return f"{group}:{finding.mode_id}" if by == "mode" else group


def _is_chosen(part: InstalledPart, chosen: Selection) -> bool:
    return all(group_of(part, name) in keys for name, keys in chosen.traits)


def _finding_is_chosen(finding: Finding, chosen: Selection) -> bool:
    if not _counts(finding.found_on, chosen) or chosen.mode not in (None, finding.mode_id):
        return False
    if finding.installed_part is not None:
        return _is_chosen(finding.installed_part, chosen)
    nobodys = InstalledPart(unit=finding.unit, fitted_on=finding.found_on)
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


def _days_at_risk(part: InstalledPart, as_of: date) -> list[date]:
    return [
        part.fitted_on + age * ONE_DAY
        for begin, end in spans_of(part, as_of)
        for age in range(begin + 1, end + 1)
    ]


def _pieces_on(part: InstalledPart, day: date) -> int:
    """Count the pieces at risk on a day: those that left on an earlier day are gone."""
    return part.pieces - sum(gone.pieces for gone in part.partial_removals.all() if gone.left_on < day)


def _is_without_time(part: InstalledPart, chosen: Selection) -> bool:
    """Say whether a part was under watch on one day only, wherever contact was lost."""
    spans = []
    for period in part.unit.periods.all():
        ends = [end for end in (part.removed_on, period.until_on, chosen.as_of) if end is not None]
        spans.append((max(part.fitted_on, period.from_on), min(ends)))
    if any(begin < end for begin, end in spans):
        return False
    return any(begin == end and _counts(begin, chosen) for begin, end in spans)


def _exclusion_reason(finding: Finding, *, twin: bool, as_of: date) -> ExclusionReason:
    if not finding.is_failure:
        return ExclusionReason.WEAR_ONLY
    if finding.repeat or finding.continues_id:
        return ExclusionReason.REPEAT
    part = finding.installed_part
    if part is None:
        return ExclusionReason.PART_UNKNOWN
    if twin:
        return ExclusionReason.SAME_EVENT
    age = (finding.found_on - part.fitted_on).days
    spans = spans_of(part, as_of)
    in_place = age >= 0 and (part.removed_on is None or finding.found_on <= part.removed_on)
    periods = list(part.unit.periods.all())
    if any(begin < age <= end for begin, end in spans) or (
        age == 0 and any(begin == 0 for begin, _ in spans)
    ):
        if _was_there_before(finding, part, as_of):
            return ExclusionReason.AT_TAKE_OVER
        surveyed_on = last_look(part.unit, as_of)
        if finding.mode.only_at_look and (surveyed_on is None or finding.found_on > surveyed_on):
            return ExclusionReason.LAST_WORD
        return ExclusionReason.EVENT
    if in_place and any(p.from_on == finding.found_on and p.from_on > part.fitted_on for p in periods):
        return ExclusionReason.AT_TAKE_OVER
    if in_place and part.lost_on == finding.found_on:  # type: ignore[attr-defined]
        return ExclusionReason.LAST_WORD
    watched = any(
        p.from_on <= finding.found_on and (p.until_on is None or finding.found_on <= p.until_on)
        for p in periods
    )
    return ExclusionReason.NO_TIME if in_place and watched else ExclusionReason.NOT_AT_RISK


def _was_there_before(finding: Finding, part: InstalledPart, as_of: date) -> bool:
    """Say whether a failure in watched time was there when we began to hear of its unit."""
    ends: list[date] = []
    for period in sorted(part.unit.periods.all(), key=lambda each: each.from_on):
        end = min(on for on in (_end(part, period), as_of) if on is not None)
        if period.from_on >= end:
            continue
        goes_on = period.from_on in ends
        ends.append(end)
        if not period.from_on < finding.found_on <= end:
            continue
        if period.began == "fitted" or goes_on or part.fitted_on >= period.from_on:
            return False
        if finding.call is not None:
            return timezone.localdate(finding.call.reported_at) <= period.from_on
        return (finding.found_on - period.from_on).days <= 30
    return False


__all__ = [
    "Counts",
    "FailureMode",
    "ObservationPeriod",
    "PartialRemoval",
    "Unit",
    "chosen_parts",
    "findings_with_reasons",
    "group_of",
    "naive_counts",
    "spans_of",
]
