"""Time at risk and failures of small fleets, worked out by hand to the day; one test a rule."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from servicedesk.reports.queries.cells import Cells, read_cells
from servicedesk.reports.queries.exclusion_reasons import ExclusionReason
from servicedesk.reports.questions.selection import Selection, select
from tests.factories import ConstructionFactory, FailureModeFactory, FindingFactory, SiteFactory
from tests.servicedesk.reports.small_fleets import Fleet, day, up_to
from units.models import PartialRemoval

pytestmark = pytest.mark.django_db


@pytest.fixture
def fleet() -> Fleet:
    """An empty yard."""
    return Fleet()


def totals(selection: Selection, *, by: str = "component") -> dict[Any, tuple[int, int, int]]:
    """Items, days and failures by group."""
    cells = read_cells(selection, by=by)
    return {key: _sums(cells, place) for place, key in enumerate(cells.groups)}


def _sums(cells: Cells, place: int) -> tuple[int, int, int]:
    mine = cells.of(place)
    return int(cells.items[mine].sum()), int(cells.days[mine].sum()), int(cells.events[mine].sum())


def excluded(selection: Selection) -> dict[ExclusionReason, int]:
    """What was left out, without what nothing was left out for."""
    return {
        exclusion_reason: count
        for exclusion_reason, count in read_cells(selection, by="component").excluded.items()
        if count
    }


def test_a_part_is_at_risk_from_its_fitting_to_the_day_the_records_are_read(fleet: Fleet) -> None:
    fleet.watched_part()
    assert totals(up_to(100)) == {fleet.track.pk: (1, 100, 0)}


def test_the_watch_begins_when_a_unit_is_taken_over(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.fit(unit)
    fleet.watch(unit, 40)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 60, 0)}


def test_a_part_in_two_watched_spans_is_one_item_and_the_gap_does_not_count(fleet: Fleet) -> None:
    unit = fleet.unit()
    part = fleet.fit(unit)
    fleet.watch(unit, 0, 30)
    fleet.watch(unit, 70)
    for on in (10, 50, 90):
        fleet.find(part, on)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 60, 2)}
    assert excluded(up_to(100)) == {ExclusionReason.NOT_AT_RISK: 1}


def test_the_span_is_open_at_its_beginning_and_closed_at_its_end(fleet: Fleet) -> None:
    unit = fleet.unit()
    part = fleet.fit(unit, 0)
    fleet.watch(unit, 10, 20)
    for on in (10, 11, 20, 21):
        fleet.find(part, on)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 10, 2)}
    assert excluded(up_to(100)) == {ExclusionReason.AT_TAKE_OVER: 1, ExclusionReason.NOT_AT_RISK: 1}


def test_a_failure_on_the_day_of_fitting_counts(fleet: Fleet) -> None:
    part = fleet.watched_part()
    fleet.find(part, 0)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 100, 1)}


def test_a_new_part_that_fails_on_the_day_it_replaced_an_old_one_counts(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.watch(unit, 0)
    old = fleet.fit(unit, 0, 40)
    new = fleet.fit(unit, 40, of=fleet.liner)
    fleet.find(old, 40)
    fleet.find(new, 40)
    # One unit, mode, place and day: one event, the one written down first.
    assert totals(up_to(100)) == {fleet.track.pk: (1, 40, 1), fleet.liner.pk: (1, 60, 0)}
    fleet.find(new, 40, mode=fleet.waves)
    assert totals(up_to(100))[fleet.liner.pk] == (1, 60, 1)


def test_a_failure_found_on_the_day_of_taking_over_is_left_out_and_told(fleet: Fleet) -> None:
    unit = fleet.unit()
    part = fleet.fit(unit, 0, 10)
    fleet.watch(unit, 10)
    new = fleet.fit(unit, 10, of=fleet.liner)
    fleet.find(part, 10)
    fleet.find(new, 10, mode=fleet.waves)  # fitted that very day: the age of half a day, and watched
    assert totals(up_to(100)) == {fleet.liner.pk: (1, 90, 1)}
    assert excluded(up_to(100)) == {ExclusionReason.AT_TAKE_OVER: 1}


def test_two_watched_spans_that_meet_have_no_take_over_between_them(fleet: Fleet) -> None:
    unit = fleet.unit()
    part = fleet.fit(unit)
    fleet.watch(unit, 0, 50)
    fleet.watch(unit, 50)
    fleet.find(part, 50)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 100, 1)}


def test_a_part_watched_for_less_than_a_day_is_dropped_and_counted(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.watch(unit, 0)
    part = fleet.fit(unit, 30, 30)
    fleet.find(part, 30)
    cells = read_cells(up_to(100), by="component")
    assert cells.groups == []
    assert cells.without_time == 1
    assert excluded(up_to(100)) == {ExclusionReason.NO_TIME: 1}


def test_a_part_taken_out_on_the_day_its_unit_is_taken_over_is_dropped_and_counted(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.fit(unit, 0, 20)
    fleet.watch(unit, 20)
    assert read_cells(up_to(100), by="component").without_time == 1


def test_a_part_fitted_today_is_not_at_risk_yet(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.watch(unit, 0)
    part = fleet.fit(unit, 100)
    fleet.find(part, 100)
    cells = read_cells(up_to(100), by="component")
    assert (cells.groups, cells.without_time) == ([], 1)
    assert excluded(up_to(100)) == {ExclusionReason.NO_TIME: 1}
    assert totals(up_to(101)) == {fleet.track.pk: (1, 1, 1)}


def test_a_part_that_has_time_elsewhere_is_not_one_without_time(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.watch(unit, 0, 50)
    fleet.watch(unit, 50)
    fleet.fit(unit, 50)
    cells = read_cells(up_to(100), by="component")
    assert (int(cells.days.sum()), cells.without_time) == (50, 0)


def test_the_same_fault_as_before_is_no_new_event(fleet: Fleet) -> None:
    part = fleet.watched_part()
    first = fleet.find(part, 10)
    fleet.find(part, 20, repeat=True)
    fleet.find(part, 30, repeat=True, continues=first)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 100, 1)}
    assert excluded(up_to(100)) == {ExclusionReason.REPEAT: 2}


def test_wear_is_no_event(fleet: Fleet) -> None:
    part = fleet.watched_part()
    fleet.find(part, 10, is_failure=False)
    fleet.find(part, 11, is_failure=False, repeat=True)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 100, 0)}
    assert excluded(up_to(100)) == {ExclusionReason.WEAR_ONLY: 2}


def test_a_failure_of_no_known_part_is_told(fleet: Fleet) -> None:
    unit = fleet.watched_part().unit
    FindingFactory(installed_part=None, unit=unit, mode=fleet.binds, found_on=day(10))
    whole = FailureModeFactory(kind="unit")
    FindingFactory(installed_part=None, unit=unit, mode=whole, found_on=day(11))
    assert excluded(up_to(100)) == {ExclusionReason.PART_UNKNOWN: 2}
    tracks = up_to(100, traits=select({"part": ("track",)}))
    assert excluded(tracks) == {ExclusionReason.PART_UNKNOWN: 1}
    liners = up_to(100, traits=select({"component": (fleet.liner.pk,)}))
    assert excluded(liners) == {ExclusionReason.PART_UNKNOWN: 1}
    sashes = up_to(100, traits=select({"part": ("sash",)}))
    assert excluded(sashes) == {}


def test_a_failure_written_down_twice_is_one_event(fleet: Fleet) -> None:
    part = fleet.watched_part()
    for _ in range(3):
        fleet.find(part, 10, panel=2, corner="UL")
    fleet.find(part, 10, panel=2, corner="UR")
    fleet.find(part, 10, panel=3, corner="UL")
    fleet.find(part, 10, panel=2, corner="UL", mode=fleet.waves)
    fleet.find(part, 10, place="upper rail")
    fleet.find(part, 11, panel=2, corner="UL")
    assert totals(up_to(100)) == {fleet.track.pk: (1, 100, 6)}
    assert excluded(up_to(100)) == {ExclusionReason.SAME_EVENT: 2}


def test_wear_or_a_repeat_does_not_take_the_place_of_an_event(fleet: Fleet) -> None:
    part = fleet.watched_part()
    fleet.find(part, 10, is_failure=False)
    fleet.find(part, 10, repeat=True)
    fleet.find(part, 10)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 100, 1)}


def test_a_replaced_type_keeps_the_time_before_it(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.watch(unit, 0)
    fleet.fit(unit, 0, 70)
    fleet.fit(unit, 70, of=fleet.liner)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 70, 0), fleet.liner.pk: (1, 30, 0)}


def test_pieces_that_left_early_take_their_time_with_them(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.watch(unit, 10)
    keys = fleet.fit(unit, 0, pieces=16)
    PartialRemoval.objects.create(installed_part=keys, panel=2, pieces=4, left_on=day(60))
    PartialRemoval.objects.create(installed_part=keys, panel=3, pieces=4, left_on=day(5))
    cells = read_cells(up_to(100), by="component")
    # 16 pieces for 90 days, less 4 for the last 40 and 4 for all 90.
    assert cells.piece_days == {0: 16 * 90 - 4 * 40 - 4 * 90}
    # Only days 51 to 80: 30 days, 4 pieces gone for 20 of them and 4 for all.
    window = up_to(100, from_on=day(51), until_on=day(80))
    assert read_cells(window, by="component").piece_days == {0: 16 * 30 - 4 * 20 - 4 * 30}


def test_days_that_count_cut_time_and_failures_alike(fleet: Fleet) -> None:
    part = fleet.watched_part()
    for on in (20, 21, 50, 51):
        fleet.find(part, on)
    window = up_to(100, from_on=day(21), until_on=day(50))
    assert totals(window) == {fleet.track.pk: (1, 30, 2)}


def test_days_in_a_row_add_up(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.watch(unit, 0, 33)
    fleet.watch(unit, 47)
    part = fleet.fit(unit, 30)
    for on in range(25, 100, 3):
        fleet.find(part, on)
    fleet.find(part, 30, mode=fleet.waves)
    whole = totals(up_to(100))[fleet.track.pk]
    pieces = [
        totals(up_to(100, from_on=day(begin), until_on=day(begin + 9))).get(fleet.track.pk, (0, 0, 0))
        for begin in range(0, 101, 10)
    ]
    assert sum(days for _, days, _ in pieces) == whole[1]
    assert sum(events for _, _, events in pieces) == whole[2]


def test_a_failure_on_the_day_of_fitting_counts_on_that_day_only(fleet: Fleet) -> None:
    part = fleet.watched_part()
    fleet.find(part, 0)
    assert totals(up_to(100, until_on=day(0)))[fleet.track.pk] == (0, 0, 1)
    assert totals(up_to(100, from_on=day(1)))[fleet.track.pk] == (1, 100, 0)


def test_nothing_after_the_day_the_records_are_read_counts(fleet: Fleet) -> None:
    part = fleet.watched_part()
    fleet.find(part, 50)
    fleet.find(part, 51)
    assert totals(up_to(50)) == {fleet.track.pk: (1, 50, 1)}
    assert totals(up_to(50, until_on=day(99))) == {fleet.track.pk: (1, 50, 1)}


def test_parts_of_unknown_age_are_in_the_rates_and_counted(fleet: Fleet) -> None:
    unit = fleet.unit()
    fleet.watch(unit, 10)
    fleet.fit(unit, age_known=False)
    fleet.watched_part()
    cells = read_cells(up_to(100), by="component")
    assert (int(cells.items.sum()), int(cells.ageless.sum()), int(cells.days.sum())) == (2, 1, 190)


def test_sites_are_counted_once(fleet: Fleet) -> None:
    site = SiteFactory()
    for _ in range(3):
        fleet.watched_part(site=site)
    fleet.watched_part()
    cells = read_cells(up_to(100), by="component")
    assert sorted(zip(cells.days.tolist(), cells.items.tolist(), strict=True)) == [(100, 1), (300, 3)]


def test_only_failures_of_one_mode_count_where_one_is_asked_for(fleet: Fleet) -> None:
    part = fleet.watched_part()
    fleet.find(part, 10)
    fleet.find(part, 20, mode=fleet.waves)
    fleet.find(part, 30, mode=fleet.waves, repeat=True)
    selection = up_to(100, mode=fleet.waves.pk)
    assert totals(selection) == {fleet.track.pk: (1, 100, 1)}
    assert excluded(selection) == {ExclusionReason.REPEAT: 1}


def test_by_mode_each_mode_has_the_time_of_all_parts_of_the_kind(fleet: Fleet) -> None:
    part = fleet.watched_part()
    other = fleet.watched_part(of=fleet.liner)
    fleet.find(part, 10)
    fleet.find(other, 20, mode=fleet.waves)
    fleet.find(other, 21, mode=fleet.waves)
    assert totals(up_to(100), by="mode") == {
        f"track:{fleet.binds.pk}": (2, 200, 1),
        f"track:{fleet.waves.pk}": (2, 200, 2),
    }


@pytest.mark.parametrize(
    ("bearing", "sector"),
    [(0, 0), (22, 0), (23, 1), (67, 1), (68, 2), (135, 3), (180, 4), (202, 4), (203, 5), (337, 7), (338, 0)],
)
def test_facing_goes_by_eight_sectors(fleet: Fleet, bearing: int, sector: int) -> None:
    unit = fleet.unit(facing=bearing)
    fleet.watch(unit, 0)
    fleet.fit(unit)
    assert totals(up_to(10), by="facing") == {sector: (1, 10, 0)}


def test_what_is_not_recorded_is_a_group_of_its_own(fleet: Fleet) -> None:
    construction = ConstructionFactory()
    known = fleet.unit(
        SiteFactory(coast="near"), finish="dark", shade="full", facing=90, construction=construction
    )
    unknown = fleet.unit()
    for unit, lot in ((known, "L7"), (unknown, "")):
        fleet.watch(unit, 0)
        fleet.fit(unit, 3, lot=lot, age_known=bool(lot))
    one = (1, 7, 0)
    expected = {
        "finish": "dark",
        "shade": "full",
        "facing": 2,
        "coast": "near",
        "lot": "L7",
        "construction": construction.pk,
        "year": 2020,
    }
    for trait, key in expected.items():
        assert totals(up_to(10), by=trait) == {key: one, None: one}, trait
        for keys, items in (
            ((key,), 1),
            ((None,), 1),
            ((key, None), 2),
            (("?",) if trait == "lot" else (), 2),
        ):
            chosen = up_to(10, traits=select({trait: keys}))
            counts = totals(chosen)
            assert sum(row[0] for row in counts.values()) == (0 if keys == ("?",) else items), (trait, keys)


def test_filters_reach_failures_and_exclusions_too(fleet: Fleet) -> None:
    dark, white = fleet.unit(finish="dark"), fleet.unit(finish="white")
    for unit in (dark, white):
        fleet.watch(unit, 5)
        part = fleet.fit(unit)
        fleet.find(part, 5)
        fleet.find(part, 9)
        FindingFactory(installed_part=None, unit=unit, mode=fleet.binds, found_on=day(10))
    chosen = up_to(100, traits=select({"finish": ("dark",)}))
    assert totals(chosen) == {fleet.track.pk: (1, 95, 1)}
    assert excluded(chosen) == {ExclusionReason.AT_TAKE_OVER: 1, ExclusionReason.PART_UNKNOWN: 1}


def test_a_selection_refuses_days_in_the_wrong_order() -> None:
    with pytest.raises(ValueError, match="comes after the last"):
        Selection(as_of=date(2024, 1, 1), from_on=date(2024, 1, 2))


@pytest.mark.parametrize(
    ("facing", "shade", "sun"),
    [
        (180, "none", "full"),
        (292, "none", "full"),
        (113, "none", "full"),
        (112, "none", "some"),
        (293, "none", "some"),
        (180, "part", "some"),
        (0, "part", "little"),
        (180, "full", "little"),
        (None, "full", "little"),
        (None, "none", None),
        (180, "", None),
    ],
)
def test_sun_goes_by_bearing_and_shade(fleet: Fleet, facing: int | None, shade: str, sun: str | None) -> None:
    unit = fleet.unit(facing=facing, shade=shade)
    fleet.watch(unit, 0)
    fleet.fit(unit)
    assert totals(up_to(10), by="sun") == {sun: (1, 10, 0)}
