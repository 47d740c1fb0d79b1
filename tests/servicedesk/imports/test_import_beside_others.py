"""An import beside people who write at the same moment: it waits its turn, and neither side is refused."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from statistics import quantiles
from typing import Any

import pytest
from django.db import connections

from schedules.operations.next_dues import plan_units
from servicedesk.core.models import Batch
from servicedesk.imports import operations
from servicedesk.imports.applying import steps as applying
from servicedesk.imports.applying.next_dues import MaintenanceWriter
from tests.beside import somebody_who
from tests.factories import CustomerFactory
from tests.servicedesk.imports.fleet_files import AT, add_reference, everything, import_files, some_fleet
from units.models import Customer

HELD_FOR = 0.7
"""Seconds that somebody else's write takes; a writer's patience is set in the settings and is longer."""


@pytest.mark.django_db(transaction=True)
def test_measuring_the_tables_waits_for_who_writes(monkeypatch: pytest.MonkeyPatch) -> None:
    add_reference()
    customer = CustomerFactory()
    measure, waited = applying.renew_statistics, []

    def rename() -> None:
        Customer.objects.filter(pk=customer.pk).update(name="Gull Street 4")

    def measure_beside_a_writer() -> None:
        with somebody_who(rename, held_for=HELD_FOR):
            measure()
            waited.append(True)

    monkeypatch.setattr(applying, "renew_statistics", measure_beside_a_writer)
    batch = import_files(*some_fleet(14))
    assert (waited, batch.stage) == ([True], Batch.Stage.APPLIED)
    customer.refresh_from_db()
    assert customer.name == "Gull Street 4"


@pytest.mark.django_db(transaction=True)
def test_the_clock_that_plans_the_same_care_loses_none_that_was_told(monkeypatch: pytest.MonkeyPatch) -> None:
    add_reference()
    rows = some_fleet(14)
    undisturbed = import_files(*rows)
    wanted = everything()
    assert any(last_done for _, _, _, last_done, _ in wanted["NextDue"]), "no care is told of"
    operations.revert(undisturbed, by=None, at=AT)
    write, planned = MaintenanceWriter._write_chunk, []

    def write_beside_the_clock(self: MaintenanceWriter, lease: Any, units: Sequence[int], *args: Any) -> None:
        with somebody_who(lambda: planned.append(plan_units(units)), held_for=HELD_FOR):
            write(self, lease, units, *args)

    monkeypatch.setattr(MaintenanceWriter, "_write_chunk", write_beside_the_clock)
    import_files(*rows)
    assert sum(planned) == len(wanted["NextDue"]) > 0
    assert everything() == wanted


SAVES_WITHIN_MS = 500
"""What 95 of 100 saves beside an import may take at most on SQLite, which has one lock for writing."""


@pytest.mark.sqlite
@pytest.mark.django_db(transaction=True)
def test_saves_beside_an_import_come_through_on_sqlite() -> None:
    """SQLite's writers do not queue: the import leaves a gap after each of its chunks."""
    add_reference()
    customer, batches = CustomerFactory(), []

    def import_fleet() -> None:
        try:
            batches.append(import_files(*some_fleet(600)))
        finally:
            connections.close_all()

    thread, took = threading.Thread(target=import_fleet), []
    thread.start()
    while thread.is_alive():
        began = time.monotonic()
        Customer.objects.filter(pk=customer.pk).update(name=f"Gull Street {len(took)}")
        took.append(1000 * (time.monotonic() - began))
        time.sleep(0.02)
    thread.join()
    assert [batch.stage for batch in batches] == [Batch.Stage.APPLIED]
    assert len(took) > 30, "the import was over before anybody saved"
    slowest_of_twenty = quantiles(took, n=20)[-1]
    assert slowest_of_twenty <= SAVES_WITHIN_MS
