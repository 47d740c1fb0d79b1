"""Figures are kept until a record they are made of changes, and not a moment longer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import pytest
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from pytest_django import Settings

from servicedesk.calls.models import Finding
from servicedesk.people.models import Touch
from servicedesk.reports import tasks
from servicedesk.reports.kept import kept
from servicedesk.reports.models import BlockCount
from servicedesk.reports.queries import cells
from servicedesk.reports.queries.counted import Counted
from servicedesk.reports.queries.fates import Fate
from servicedesk.reports.selection import Selection
from servicedesk.reports.traits import MODE
from tests.beside import somebody_who
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    FailureModeFactory,
    InspectionFactory,
    SiteFactory,
    WorkFactory,
)
from tests.kept_values import forget_all
from tests.servicedesk.reports.pages import open_page, rows
from tests.servicedesk.reports.random_fleets import LAST, draw_fleet
from tests.servicedesk.reports.small_fleets import Fleet, day
from units.models import Fitment, Unit

pytestmark = pytest.mark.django_db

RATES = "/figures/rates/?as_of=2024-12-31"


def fleet_of(number: int) -> Fleet:
    """Put up some tracks at sites of their own, each of which failed once."""
    fleet = Fleet()
    for turn in range(number):
        fleet.find(fleet.watched_part(), 500 + turn)
    return fleet


def test_a_second_look_asks_the_records_nothing(as_owner: Client) -> None:
    fleet_of(6)
    with CaptureQueriesContext(
        connection,
    ) as first:
        once = open_page(as_owner, RATES)
    with CaptureQueriesContext(connection) as second:
        twice = open_page(as_owner, RATES)
    assert rows(once) == rows(twice)
    read = [query["sql"] for query in second.captured_queries if "calls_finding" in query["sql"]]
    assert read == []
    assert [query for query in first.captured_queries if "calls_finding" in query["sql"]]


WRITES: dict[str, Callable[[Fleet], Any]] = {
    "a finding": lambda fleet: fleet.find(Fitment.objects.all()[0], 700),
    "a finding changed": lambda fleet: Fitment.objects.all()[0].findings.update(repeat=True),
    "a finding taken back": lambda fleet: Fitment.objects.all()[0].findings.all().delete(),
    "a part": lambda fleet: fleet.fit(Unit.objects.all()[0], panel=1),
    "a period": lambda fleet: fleet.watch(fleet.unit(), 0),
    "a unit": lambda fleet: fleet.unit(),
    "a site": lambda fleet: SiteFactory(),
    "a type": lambda fleet: ComponentTypeFactory(),
    "a failure mode": lambda fleet: FailureModeFactory(),
    "a look": lambda fleet: InspectionFactory(),
    "a call": lambda fleet: CallFactory(site=SiteFactory()),
    "work": lambda fleet: WorkFactory(unit=Unit.objects.all()[0]),
    "many at once": lambda fleet: Unit.objects.update(finish="dark"),
}


@pytest.mark.parametrize("what", WRITES)
def test_every_write_moves_the_version(what: str) -> None:
    fleet = fleet_of(2)
    before = Touch.objects.version()
    assert Touch.objects.version() == before
    WRITES[what](fleet)
    assert Touch.objects.version() != before


def test_a_write_that_is_taken_back_leaves_the_version() -> None:
    fleet = fleet_of(1)
    before = Touch.objects.version()
    with transaction.atomic():
        fleet.find(Fitment.objects.all()[0], 900)
        assert Touch.objects.version() != before
        transaction.set_rollback(True)
    assert Touch.objects.version() == before


def test_the_page_shows_a_change_at_once(as_owner: Client) -> None:
    fleet = fleet_of(6)
    assert rows(open_page(as_owner, RATES))[0][1] == "6"
    fleet.find(Fitment.objects.all()[0], 900)
    assert rows(open_page(as_owner, RATES))[0][1] == "7"
    fleet.track.name = "renamed track"
    fleet.track.save()
    assert rows(open_page(as_owner, RATES))[0][0] == "Renamed track"


def test_another_question_is_another_figure(as_owner: Client) -> None:
    fleet_of(6)
    assert rows(open_page(as_owner, RATES))[0][1] == "6"
    assert rows(open_page(as_owner, f"{RATES}&until={day(502)}"))[0][1] == "3"
    made = [kept("x", date(2024, 1, 1), number, make=lambda number=number: [number]) for number in (1, 2, 1)]
    assert made == [[1], [2], [1]]


def test_old_rows_are_thrown_away_and_the_version_moves_on() -> None:
    for _ in range(30):
        Touch.objects.create()
    before = Touch.objects.version()
    assert Touch.objects.prune(keep=5) >= 25
    assert Touch.objects.count() <= 6
    assert Touch.objects.version() != before
    assert Touch.objects.prune(keep=5) in (0, 1)


def test_what_an_import_leaves_is_thrown_away_before_the_night(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet_of(2)
    monkeypatch.setattr(cells, "LARGE_FLEET", 0)
    monkeypatch.setattr(tasks, "MANY_TOUCHES", 1_200)
    Touch.objects.bulk_create(Touch() for _ in range(1_300))
    tasks.count_large_fleet()
    assert Touch.objects.count() <= 1_001
    before = Touch.objects.version()
    tasks.count_large_fleet()
    assert Touch.objects.version() == before


def test_without_redis_figures_are_worked_out_each_time(settings: Settings) -> None:
    settings.CACHES = {
        "figures": {
            "BACKEND": "django.core.cache.backends.redis.RedisCache",
            "LOCATION": "redis://127.0.0.1:1/0",
        }
    }
    made: list[int] = []
    for _ in range(2):
        assert kept("x", make=lambda: made.append(1) or "figure") == "figure"
    assert len(made) == 2


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_a_write_that_began_earlier_and_ends_later_is_not_missed() -> None:
    fleet = fleet_of(2)
    part = Fitment.objects.all()[0]
    with somebody_who(lambda: fleet.find(part, 800)):
        fleet.find(part, 801)
        between = Touch.objects.version()
    assert Touch.objects.version() != between
    forget_all()


def test_a_write_moves_the_version_of_its_block_only() -> None:
    fleet = fleet_of(3)
    parts = list(Fitment.objects.order_by("pk"))
    before = Touch.objects.versions()
    fleet.find(parts[1], 700)
    after = Touch.objects.versions()
    block = parts[1].unit.site_id % Touch.BLOCKS
    assert {key for key in {*before, *after} if before.get(key) != after.get(key)} == {block}
    both = {parts[0].unit.site_id % Touch.BLOCKS, parts[2].unit.site_id % Touch.BLOCKS}
    Unit.objects.filter(pk=parts[0].unit_id).update(site_id=parts[2].unit.site_id)
    moved = Touch.objects.versions()
    assert {key for key in moved if moved[key] != after.get(key)} == both
    fleet.track.name = "renamed"
    fleet.track.save()
    assert Touch.objects.versions()[None] != moved.get(None)


def test_only_the_blocks_that_were_written_to_are_counted_again(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = fleet_of(5)
    monkeypatch.setattr(cells, "LARGE_FLEET", 0)
    counted: list[int | None] = []
    count = cells._count
    monkeypatch.setattr(cells, "_count", lambda scope: counted.append(scope.block) or count(scope))
    chosen = Selection(as_of=day(1500))
    # Where all of them are missing, the whole is counted at once.
    cells.read_cells_kept(chosen, by="component")
    assert counted == [None]
    counted.clear()
    cells.read_cells_kept(chosen, by="component", fill=True)
    assert sorted(map(int, filter(lambda block: block is not None, counted))) == list(range(Touch.BLOCKS))
    counted.clear()
    part = Fitment.objects.order_by("pk")[2]
    fleet.find(part, 900)
    found = cells.read_cells_kept(chosen, by="component")
    assert counted == [part.unit.site_id % Touch.BLOCKS]
    assert found.events.sum() == 6


@pytest.mark.parametrize("by", ["component", "mode", "lot", "sun", ""])
@pytest.mark.parametrize("seed", range(4))
def test_block_by_block_comes_to_the_same(seed: int, by: str, monkeypatch: pytest.MonkeyPatch) -> None:
    draw_fleet(seed)
    chosen = Selection(as_of=day(LAST))
    whole = cells.read_cells(chosen, by=by)
    monkeypatch.setattr(cells, "LARGE_FLEET", 0)
    for turn in range(3):
        parts = cells.read_cells_kept(chosen, by=by, fill=turn == 0)
        assert parts.groups == whole.groups
        for name in ("group", "site", "items", "ageless", "days", "events"):
            assert getattr(parts, name).tolist() == getattr(whole, name).tolist()
        assert parts.piece_days == whole.piece_days
        assert parts.excluded == whole.excluded
        assert parts.without_time == whole.without_time
        Finding.objects.filter(pk=Finding.objects.order_by("pk")[seed].pk).update(is_failure=turn == 1)
        whole = cells.read_cells(chosen, by=by)


def test_the_clock_counts_a_large_fleet_for_every_process(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = fleet_of(3)
    assert tasks.count_large_fleet() == "nothing to do"
    monkeypatch.setattr(cells, "LARGE_FLEET", 3)
    assert tasks.count_large_fleet() == "the fleet counted"
    counted: list[int | None] = []
    count = cells._count
    monkeypatch.setattr(cells, "_count", lambda scope: counted.append(scope.block) or count(scope))
    forget_all()  # as after a start without Redis
    today = Selection(as_of=timezone.localdate())
    for by in ("component", MODE):
        assert cells.read_cells_kept(today, by=by).events.sum() == 3
    assert counted == []
    fleet.track.name = "renamed"
    fleet.track.save()
    cells.read_cells_kept(today, by="component")
    assert counted == [None]


def test_what_was_counted_on_other_days_is_thrown_away(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet_of(3)
    monkeypatch.setattr(cells, "LARGE_FLEET", 0)
    cells.read_cells_kept(Selection(as_of=day(1500)), by="component", fill=True)
    tasks.count_large_fleet()
    assert set(BlockCount.objects.values_list("as_of", flat=True)) == {timezone.localdate()}
    assert BlockCount.objects.count() == 2 * Touch.BLOCKS


def test_what_was_counted_is_read_back_as_it_was() -> None:
    counted = Counted(
        groups=[7, "track:1", None],
        watched=np.array([[0, 1, 2], [1, 1, 2], [1, 1, 1], [0, 0, 0], [5, 6, 7], [5, 6, 2**40], [0, 0, 1]]),
        departed={7: 3, None: 1},
        event_groups=[],
        events=np.zeros((4, 0), dtype=np.int64),
        fates={Fate.EVENT: 4},
        without_time=2,
        notes={"lost_units": 3},
    )
    again = Counted.from_bytes(counted.to_bytes())
    assert again.watched.tolist() == counted.watched.tolist()
    assert again.events.shape == (4, 0)
    for name in ("groups", "departed", "event_groups", "fates", "without_time", "notes"):
        assert getattr(again, name) == getattr(counted, name)


def test_many_cells_are_told_apart_as_few_are(monkeypatch: pytest.MonkeyPatch) -> None:
    lists = [np.array([7, 3, 3, 90]), np.array([3, 8])]
    dense = cells._told_apart(lists, size=100)
    monkeypatch.setattr(cells, "DENSE", 10)
    sparse = cells._told_apart(lists, size=100)
    assert dense[0].tolist() == sparse[0].tolist() == [3, 7, 8, 90]
    assert (
        [each.tolist() for each in dense[1]]
        == [each.tolist() for each in sparse[1]]
        == [[1, 0, 0, 3], [0, 2]]
    )
