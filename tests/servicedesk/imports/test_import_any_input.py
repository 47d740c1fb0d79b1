"""Whatever files hold, every row is staged or named: no input ends in an error of ours."""

from __future__ import annotations

import pytest
from django.core.exceptions import ObjectDoesNotExist
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from servicedesk.core.models import Batch
from servicedesk.imports import operations
from servicedesk.imports.models import StagedRow
from tests.servicedesk.imports.fleet_files import (
    add_reference,
    create_batch,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def reference(db: None) -> None:
    """Names that files can use."""
    add_reference()


CELL = st.text(st.characters(exclude_categories=["Cs"]), max_size=12) | st.sampled_from(
    ["U1", "S1", "2020-03-02", "2021-01-01", "call", "care", "LIN-01", "panel 2", "yes", "2", "-1", "35 7/8"]
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.fixed_dictionaries(
            {"unit": CELL, "site": CELL, "installed_on": CELL, "width": CELL, "track": CELL}
        ),
        max_size=4,
    ),
    st.lists(
        st.fixed_dictionaries(
            {"unit": CELL, "on": CELL, "what": CELL, "mode": CELL, "where": CELL, "note": CELL}
        ),
        max_size=4,
    ),
    st.lists(st.fixed_dictionaries({"unit": CELL, "from": CELL, "until": CELL}), max_size=4),
)
def test_any_cells_are_staged_or_named(
    units: list[dict[str, str]], history: list[dict[str, str]], periods: list[dict[str, str]]
) -> None:
    batch = create_batch(units, history, periods, check_only=True)
    operations.stage(batch)
    batch.refresh_from_db()
    bad = StagedRow.objects.filter(batch=batch).bad()
    named = {(row.file, row.line) for row in batch.problems.filter(whole_file=False)}
    assert set(bad.values_list("file", "line")) == named
    operations.discard_batch(batch)
    with pytest.raises(ObjectDoesNotExist):
        batch.refresh_from_db()


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200))
def test_any_bytes_are_staged_or_named(content: bytes) -> None:
    batch = create_batch(b"unit,site,installed_on,place\nU1,S1,2020-03-02," + content, check_only=True)
    operations.stage(batch)
    batch.refresh_from_db()
    rows = StagedRow.objects.filter(batch=batch)
    assert batch.stage in (Batch.Stage.CHECKED, Batch.Stage.REFUSED)
    assert rows.exists() or operations.count_problems(batch)
    operations.discard_batch(batch)
