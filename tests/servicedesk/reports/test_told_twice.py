"""Rows of one unit, failure, place and day: one event, unless references of an import part them."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime

import pytest
from django.core.management import call_command

from servicedesk.core.models import Batch
from servicedesk.reports.queries.exclusion_reasons import ExclusionReason
from servicedesk.reports.queries.lifetimes import read_histories
from tests.servicedesk.imports.fleet_files import add_reference, event, import_files, period, unit
from tests.servicedesk.reports.small_fleets import Fleet, up_to
from tests.servicedesk.reports.test_cells import excluded, totals

pytestmark = pytest.mark.django_db


def a_batch(folder: str) -> Batch:
    """An import that was applied."""
    at = datetime(2024, 1, 1, tzinfo=UTC)
    return Batch.objects.create(started_at=at, folder=folder, care_by="us", stage="applied")


@pytest.mark.parametrize(
    ("rows", "events"),
    [
        ([("batch", "a"), ("batch", "b")], 2),
        ([("batch", "a"), ("batch", "a")], 1),
        ([("batch", ""), ("batch", "b")], 2),
        ([("batch", ""), ("other", "")], 1),
        ([("batch", "a"), ("other", "b"), ("batch", "b")], 2),
        ([("", ""), ("", "")], 1),
        ([("", ""), ("batch", "a")], 1),
        ([("batch", "a"), ("", "")], 1),
        ([("batch", "a"), ("", ""), ("batch", "b")], 2),
        ([("", ""), ("batch", "a"), ("", ""), ("batch", "b"), ("batch", "c")], 3),
    ],
)
def test_references_part_rows_of_imports(rows: list[tuple[str, str]], events: int) -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    batches = {"": None, "batch": a_batch("x"), "other": a_batch("y")}
    for name, ref in rows:
        fleet.find(part, 10, panel=2, corner="UL", batch=batches[name], ref=ref)
    assert totals(up_to(100)) == {fleet.track.pk: (1, 100, events)}
    again = len(rows) - events
    assert excluded(up_to(100)) == ({ExclusionReason.SAME_EVENT: again} if again else {})
    assert read_histories(up_to(100), by="component").event_count.sum() == events


def test_rows_that_ref_parts_are_counted_each_from_the_file_to_the_figure() -> None:
    add_reference()
    same = {"where": "panel 2", "failure": "yes"}
    history = [
        *(event(on="2024-06-01", ref=f"job {number}", **same) for number in range(3)),
        event(on="2024-07-01", **same),
    ]
    import_files([unit()], history, [period()])
    out = io.StringIO()
    call_command("figures", "rates", "--json", stdout=out)
    document = json.loads(out.getvalue())
    row = next(row for row in document["rows"] if row["component"] == "flexible plastic liner")
    assert row["events"] == 4
    assert document["exclusions"].get("same_event", 0) == 0
