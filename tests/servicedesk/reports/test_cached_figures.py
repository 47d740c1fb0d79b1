"""Figures are cached until a record they are made of changes, and not a moment longer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from pytest_django import Settings

from servicedesk.core.models import TableVersion
from servicedesk.reports.caching.figures import cached_figure, code_version
from servicedesk.reports.queries import cells
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
from tests.servicedesk.reports.small_fleets import Fleet, day
from units.models import InstalledPart, Unit

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
    "a finding": lambda fleet: fleet.find(InstalledPart.objects.all()[0], 700),
    "a finding changed": lambda fleet: InstalledPart.objects.all()[0].findings.update(repeat=True),
    "a finding taken back": lambda fleet: InstalledPart.objects.all()[0].findings.all().delete(),
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
    before = TableVersion.objects.version()
    assert TableVersion.objects.version() == before
    WRITES[what](fleet)
    assert TableVersion.objects.version() != before


def test_a_write_that_is_taken_back_leaves_the_version() -> None:
    fleet = fleet_of(1)
    before = TableVersion.objects.version()
    with transaction.atomic():
        fleet.find(InstalledPart.objects.all()[0], 900)
        assert TableVersion.objects.version() != before
        transaction.set_rollback(True)
    assert TableVersion.objects.version() == before


def test_the_page_shows_a_change_at_once(as_owner: Client) -> None:
    fleet = fleet_of(6)
    assert rows(open_page(as_owner, RATES))[0][1] == "6"
    fleet.find(InstalledPart.objects.all()[0], 900)
    assert rows(open_page(as_owner, RATES))[0][1] == "7"
    fleet.track.name = "renamed track"
    fleet.track.save()
    assert rows(open_page(as_owner, RATES))[0][0] == "Renamed track"


def test_another_question_is_another_figure(as_owner: Client) -> None:
    fleet_of(6)
    assert rows(open_page(as_owner, RATES))[0][1] == "6"
    assert rows(open_page(as_owner, f"{RATES}&until={day(502)}"))[0][1] == "3"
    made = [
        cached_figure("x", date(2024, 1, 1), number, compute=lambda number=number: [number])
        for number in (1, 2, 1)
    ]
    assert made == [[1], [2], [1]]


def test_old_rows_are_thrown_away_and_the_version_moves_on() -> None:
    for _ in range(30):
        TableVersion.objects.create()
    before = TableVersion.objects.version()
    assert TableVersion.objects.prune(keep=5) >= 25
    assert TableVersion.objects.count() <= 6
    assert TableVersion.objects.version() != before
    assert TableVersion.objects.prune(keep=5) in (0, 1)


def test_without_redis_figures_are_computed_each_time(settings: Settings) -> None:
    settings.CACHES = {
        "figures": {
            "BACKEND": "django.core.cache.backends.redis.RedisCache",
            "LOCATION": "redis://127.0.0.1:1/0",
        }
    }
    made: list[int] = []
    for _ in range(2):
        assert cached_figure("x", compute=lambda: made.append(1) or "figure") == "figure"
    assert len(made) == 2


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_a_write_that_began_earlier_and_ends_later_is_not_missed() -> None:
    fleet = fleet_of(2)
    part = InstalledPart.objects.all()[0]
    with somebody_who(lambda: fleet.find(part, 800)):
        fleet.find(part, 801)
        between = TableVersion.objects.version()
    assert TableVersion.objects.version() != between
    forget_all()


def test_a_write_that_changes_nothing_leaves_the_version() -> None:
    fleet_of(1)
    before = TableVersion.objects.version()
    Unit.objects.filter(pk=0).update(finish="dark")
    Unit.objects.filter(pk=0).delete()
    assert TableVersion.objects.version() == before


def test_many_cells_are_distinguished_as_few_are(monkeypatch: pytest.MonkeyPatch) -> None:
    lists = [np.array([7, 3, 3, 90]), np.array([3, 8])]
    dense = cells._distinguished(lists, size=100)
    monkeypatch.setattr(cells, "DENSE", 10)
    sparse = cells._distinguished(lists, size=100)
    assert dense[0].tolist() == sparse[0].tolist() == [3, 7, 8, 90]
    assert (
        [each.tolist() for each in dense[1]]
        == [each.tolist() for each in sparse[1]]
        == [[1, 0, 0, 3], [0, 2]]
    )


@pytest.mark.parametrize("module", ["weibull.py", "judgements.py", "scope.py"])
def test_figures_of_other_code_are_not_taken_for_those_of_this(
    module: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, read_bytes = code_version.__wrapped__(), Path.read_bytes

    def with_a_line_more(path: Path) -> bytes:
        return read_bytes(path) + (b"\n" if path.name == module else b"")

    monkeypatch.setattr(Path, "read_bytes", with_a_line_more)
    assert code_version.__wrapped__() != before
