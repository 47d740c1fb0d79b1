"""On PostgreSQL the next page is looked up while one is written; the same comes of it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest
from django.db import connection, transaction

from servicedesk.core.models import Batch
from servicedesk.imports.applying import ahead, steps
from servicedesk.imports.applying.units import UnitsWriter
from tests.beside import somebody_who
from tests.factories import SiteFactory
from tests.servicedesk.imports.fleet_files import add_reference, import_files, told, unit
from units.models import Construction, Customer, Ownership, Site, Unit

pytestmark = pytest.mark.django_db(transaction=True)


def backend() -> int:
    """Say which process of PostgreSQL serves the connection of this thread."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        return int(cursor.fetchone()[0])


@pytest.mark.postgres
def test_the_next_item_is_looked_up_while_one_is_in_hand() -> None:
    second = threading.Event()

    def items() -> Iterator[int]:
        yield backend()
        second.set()
        yield backend()

    with closing(ahead.read_ahead(items())) as read:
        first = next(read)
        assert second.wait(timeout=20), "nothing was looked up ahead"
        assert list(read) == [first]
    assert first != backend(), "it reads through the writer's connection"


def test_what_stops_the_looking_up_stops_the_caller_in_its_turn() -> None:
    def items() -> Iterator[int]:
        yield 1
        raise LookupError("no more")

    with closing(ahead.read_ahead(items())) as read:
        assert next(read) == 1
        with pytest.raises(LookupError):
            next(read)


def test_inside_a_transaction_the_looking_up_sees_what_the_caller_wrote() -> None:
    def items() -> Iterator[int]:
        yield Customer.objects.count()
        yield Customer.objects.count()

    with transaction.atomic(), closing(ahead.read_ahead(items())) as read:
        assert next(read) == 0
        Customer.objects.create(name="Gull Street 4")
        assert next(read) == 1


@pytest.fixture
def pages_in_flight(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut a fleet into small pages, each written only once the next was looked up."""
    prepared, write = threading.Semaphore(0), UnitsWriter.write
    prepare = UnitsWriter.prepare

    def count_pages(self: UnitsWriter, pages: Any) -> Iterator[Any]:
        for page in prepare(self, pages):
            prepared.release()
            yield page
        for _ in range(2):
            prepared.release()

    def write_late(self: UnitsWriter, lease: Any, page: Any) -> None:
        assert prepared.acquire(timeout=20)
        if connection.vendor == "postgresql":
            assert prepared.acquire(timeout=20), "the next page was not looked up"
            prepared.release()
        write(self, lease, page)

    monkeypatch.setattr(steps, "PAGE", 2)
    monkeypatch.setattr(UnitsWriter, "prepare", count_pages)
    monkeypatch.setattr(UnitsWriter, "write", write_late)


@pytest.mark.usefixtures("pages_in_flight")
@pytest.mark.parametrize("sites", [2, 7])
def test_sites_and_owners_that_pages_share_are_written_once(
    sites: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(steps, "TRIES", 1)  # nothing has to be looked at again
    add_reference()
    rows = [
        unit(f"U{number}", site=f"S{number % sites}", customer="Customer Probeson") for number in range(7)
    ]
    assert import_files(rows).stage == Batch.Stage.APPLIED
    counts = [model.objects.count() for model in (Unit, Site, Ownership, Customer)]
    assert counts == [7, sites, sites, 1]


@pytest.mark.usefixtures("pages_in_flight")
def test_a_unit_that_somebody_adds_meanwhile_is_looked_at_again(monkeypatch: pytest.MonkeyPatch) -> None:
    add_reference()
    site = SiteFactory(code="S1")
    write, added = UnitsWriter.write, []

    def add_unit() -> None:
        built = Construction.objects.get(code="2")
        added.append(
            Unit.objects.create(code="U3", site=site, construction=built, panels=3, installed_on="2020-03-02")
        )

    def write_beside(self: UnitsWriter, lease: Any, page: Any) -> None:
        if not added:
            with somebody_who(add_unit):
                pass
        write(self, lease, page)

    monkeypatch.setattr(UnitsWriter, "write", write_beside)
    batch = import_files([unit(f"U{number}") for number in range(1, 6)])
    assert (batch.stage, told(batch)) == (Batch.Stage.APPLIED, [("units", 4, "panels")])
    assert sorted(Unit.objects.values_list("code", flat=True)) == ["U1", "U2", "U3", "U4", "U5"]
    assert Unit.objects.get(code="U3").pk == added[0].pk
