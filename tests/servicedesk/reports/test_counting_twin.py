"""Counting by SQL and arrays against the naive way, over random fleets full of awkward dates."""

from __future__ import annotations

from datetime import date

import pytest
from django.db import transaction

from servicedesk.reports.histories import Window
from servicedesk.reports.queries.cells import read_cells
from servicedesk.reports.queries.exclusion_reasons import ExclusionReason
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.queries.listing import exclusion_reasons_of, findings_behind
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import GROUPINGS
from tests.servicedesk.reports.naive_counts import (
    Counts,
    FailureMode,
    chosen_parts,
    findings_with_reasons,
    group_of,
    last_look,
    naive_counts,
    spans_of,
)
from tests.servicedesk.reports.random_fleets import draw_fleet, draw_selections
from units.models import InstalledPart

SEEDS = range(24)
EACH_SEED = [pytest.param(seed, marks=[pytest.mark.long] if seed >= 6 else []) for seed in SEEDS]


@pytest.mark.django_db
@pytest.mark.parametrize("seed", EACH_SEED)
def test_time_failures_and_exclusions_are_those_of_the_naive_count(seed: int) -> None:
    draw_fleet(seed)
    groupings = [*GROUPINGS, ""]
    for number, chosen in enumerate(draw_selections(seed)):
        by = groupings[(seed + number) % len(groupings)]
        cells, naive = read_cells(chosen, by=by), naive_counts(chosen, by=by)
        by_group = {key: cells.of(place) for place, key in enumerate(cells.groups)}
        watched_keys = {key.split(":")[0] if by == "mode" else key: key for key in by_group}
        assert set(naive.events) <= set(by_group)
        for key, rows in by_group.items():
            watched = key.split(":")[0] if by == "mode" else key
            expected = _days(naive, watched, by=by, key=key, chosen=chosen)
            # Every site's days are whole.
            away = 0.5 * (rows.stop - rows.start) if naive.look_events[key] else 0
            assert abs(cells.days[rows].sum() - expected) <= away, (by, key, chosen)
            assert cells.items[rows].sum() == len(naive.items[watched]), (by, key, chosen)
            if expected == naive.days[watched]:
                assert (cells.days[rows] > 0).sum() == len(naive.sites[watched]), (by, key, chosen)
            assert cells.events[rows].sum() == naive.events[key], (by, key, chosen)
            assert cells.piece_days[cells.groups.index(key)] == naive.piece_days[watched], (by, key, chosen)
        if by != "mode":
            assert {key for key, days in naive.days.items() if days} <= set(watched_keys)
            assert cells.ageless.sum() == len(naive.ageless)
        assert cells.without_time == naive.without_time, chosen
        assert {f: n for f, n in cells.excluded.items() if n} == dict(naive.excluded), chosen


def _days(naive: Counts, watched: object, *, by: str, key: object, chosen: Selection) -> float:
    """Give the days by which failures are divided so that the rates of both sorts of mode add up."""
    whole, inspected = naive.days[watched], naive.looked_days[watched]
    every, shown = naive.events[key], naive.look_events[key]
    modes = FailureMode.objects.filter(only_at_look=True)
    if modes.filter(pk=chosen.mode).exists() or (by == "mode" and shown):
        return inspected
    return every / ((every - shown) / whole + shown / inspected) if shown else whole


@pytest.mark.django_db
@pytest.mark.parametrize("seed", EACH_SEED)
def test_every_finding_is_listed_as_what_it_counts_as(seed: int) -> None:
    draw_fleet(seed)
    for chosen in draw_selections(seed):
        expected = {
            finding.pk: exclusion_reason for finding, exclusion_reason in findings_with_reasons(chosen)
        }
        assert set(findings_behind(chosen, None).values_list("pk", flat=True)) == set(expected)
        assert exclusion_reasons_of(chosen, findings_behind(chosen, None)) == expected
        for exclusion_reason in ExclusionReason:
            listed = set(findings_behind(chosen, exclusion_reason).values_list("pk", flat=True))
            assert listed == {key for key, reason in expected.items() if reason == exclusion_reason}


@pytest.mark.django_db
@pytest.mark.parametrize("seed", EACH_SEED)
def test_curves_rest_on_the_rows_of_the_naive_way(seed: int) -> None:
    draw_fleet(seed)
    for number, chosen in enumerate(draw_selections(seed)):
        by = ["component", "finish", "lot", "year", "coast", "component"][number]
        histories = read_histories(chosen, by=by)
        window = Window(chosen.after.toordinal() if chosen.after else 0, chosen.last.toordinal())
        events = _events(chosen)
        for place, key in enumerate(histories.groups):
            mine = histories.of_group(place)
            parts = [p for p in chosen_parts(chosen) if p.age_known and group_of(p, by) == key]
            rows = mine.counting_rows(window)
            got = sorted(
                zip(
                    rows.item.tolist(),
                    rows.start.tolist(),
                    rows.stop.tolist(),
                    rows.event.tolist(),
                    rows.site.tolist(),
                    strict=True,
                )
            )
            assert got == sorted(row for part in parts for row in _naive_rows(part, events, chosen)), (
                by,
                key,
            )
            lifetimes = mine.first_failures(window)
            got_lifetimes = sorted(
                zip(
                    lifetimes.item.tolist(),
                    lifetimes.entry.tolist(),
                    lifetimes.exit.tolist(),
                    lifetimes.failed.tolist(),
                    lifetimes.site.tolist(),
                    strict=True,
                )
            )
            assert got_lifetimes == sorted(row for part in parts for row in _naive_life(part, events, chosen))


def _events(chosen: Selection) -> dict[int, list[int]]:
    """Ages in days at the failures of each part, whatever days count."""
    ages: dict[int, list[int]] = {}
    for finding, exclusion_reason in findings_with_reasons(chosen.always()):
        if exclusion_reason == ExclusionReason.EVENT and finding.installed_part is not None:
            age = (finding.found_on - finding.installed_part.fitted_on).days
            ages.setdefault(finding.installed_part_id or 0, []).append(age)
    return ages


def _bounds(fitted: date, chosen: Selection) -> tuple[int, int]:
    """Ages after which, and up to which, days count."""
    after = -(10**6) if chosen.after is None else (chosen.after - fitted).days
    return after, (chosen.last - fitted).days


def _spans(part: InstalledPart, chosen: Selection) -> list[tuple[int, int]]:
    """Give the ages between which a part was at risk of the failures asked for."""
    spans = spans_of(part, chosen.as_of)
    if not FailureMode.objects.filter(only_at_look=True, pk=chosen.mode).exists():
        return spans
    surveyed_on = last_look(part.unit, chosen.as_of)
    last = -1 if surveyed_on is None else (surveyed_on - part.fitted_on).days
    return [(begin, min(end, last)) for begin, end in spans if begin < last]


def _naive_rows(part, events, chosen):  # type: ignore[no-untyped-def]
    after, last = _bounds(part.fitted_on, chosen)
    for begin, end in _spans(part, chosen):
        mine = [
            a
            for a in events.get(part.pk, [])
            if (begin < a <= end or (a == 0 == begin)) and after < a <= last
        ]
        at = float(max(begin, after, 0))
        stop = float(min(end, last))
        for age in sorted(set(mine)):
            failed_at = age or 0.5
            yield part.pk, at, failed_at, mine.count(age), part.unit.site_id
            at = failed_at
        if at < stop:
            yield part.pk, at, stop, 0, part.unit.site_id


def _naive_life(part, events, chosen):  # type: ignore[no-untyped-def]
    after, last = _bounds(part.fitted_on, chosen)
    spans = _spans(part, chosen)
    if not spans:
        return
    begin, end = spans[0]
    for later_begin, later_end in spans[1:]:
        if later_begin > end:
            break
        end = later_end
    ages = [a for a in events.get(part.pk, []) if begin < a <= end or (a == 0 == begin)]
    entry = float(max(begin, after, 0))
    if ages and min(ages) <= after:
        return
    if ages and min(ages) <= last:
        yield part.pk, entry, min(ages) or 0.5, True, part.unit.site_id
    elif min(end, last) > entry:
        yield part.pk, entry, float(min(end, last)), False, part.unit.site_id


@pytest.mark.django_db
def test_the_draws_hold_every_exclusion_reason() -> None:
    seen: set[ExclusionReason] = set()
    for seed in SEEDS:
        with transaction.atomic():
            draw_fleet(seed)
            seen |= {
                exclusion_reason for _, exclusion_reason in findings_with_reasons(draw_selections(seed)[0])
            }
            transaction.set_rollback(True)
        if len(seen) == len(ExclusionReason):
            break
    assert seen == set(ExclusionReason)
