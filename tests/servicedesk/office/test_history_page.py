"""The whole history on a page and as a file."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta

import pytest
from django.test import Client

from servicedesk.accounts.models import User
from servicedesk.core.history import change_source, write_change
from servicedesk.core.models import Change
from servicedesk.core.models.changes import Source
from tests.factories import CustomerFactory, SiteFactory

pytestmark = pytest.mark.django_db

AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


@pytest.fixture
def changes(owner: User, scheduler: User) -> list[Change]:
    """Three changes: of a customer by an owner, of a site by a scheduler, and of the same by the clock."""
    customer, site = CustomerFactory(), SiteFactory()
    first = write_change(
        customer, action="changed", by=owner, at=AT, before={"name": "A"}, after={"name": "=B"}
    )
    second = write_change(site, action="care: we do", by=scheduler, at=AT + timedelta(days=1))
    with change_source(Source.CLOCK):
        third = write_change(site, action="looked at", by=None, at=AT + timedelta(days=2))
    return [first, second, third]


def lines(client: Client, **query: object) -> list[dict[str, str]]:
    """Read the file."""
    answer = client.get("/history/", {"file": "csv", **query})
    assert answer["Content-Disposition"] == 'attachment; filename="history.csv"'
    content = b"".join(answer.streaming_content).decode()  # type: ignore[attr-defined]
    return list(csv.DictReader(io.StringIO(content)))


def test_the_file_says_who_when_through_which_source_and_what_changed(
    as_owner: Client, changes: list[Change], owner: User
) -> None:
    third, second, first = lines(as_owner)
    assert first == {
        "at": "2026-05-04T08:00:00-04:00",
        "by": owner.name,
        "source": "command",
        "record": "customer",
        "number": str(changes[0].subject_id),
        "what": "changed",
        "field": "name",
        "before": "A",
        "after": "'=B",
    }
    assert (second["what"], second["field"]) == ("care: we do", "")
    assert (third["source"], third["by"]) == ("background job", "")


def test_it_can_be_asked_for_in_parts(as_owner: Client, changes: list[Change], scheduler: User) -> None:
    site = changes[1].subject_id
    assert len(lines(as_owner, subject="units.site")) == 2
    assert len(lines(as_owner, subject="units.site", number=site)) == 2
    assert [line["what"] for line in lines(as_owner, by=scheduler.pk)] == ["care: we do"]
    assert [line["what"] for line in lines(as_owner, source="clock")] == ["looked at"]
    assert [line["what"] for line in lines(as_owner, on_from="2026-05-05", on_until="2026-05-05")] == [
        "care: we do"
    ]
    assert len(lines(as_owner, on_from="0001-01-01", on_until="9999-12-31")) == 3
    assert len(lines(as_owner, on_from="sometime", number="x", by="y", subject="z")) == 3


def test_the_page_shows_all_of_it_to_owners_only(
    as_owner: Client, as_scheduler: Client, changes: list[Change]
) -> None:
    page = as_owner.get("/history/").content.decode()
    assert "care: we do" in page
    assert "What changed" in page
    assert f"customer {changes[0].subject_id}" in page
    assert as_scheduler.get("/history/").status_code == 403
    assert "No such changes" in as_owner.get("/history/?number=987654").content.decode()


def test_a_record_leads_to_its_history_as_a_file(
    as_owner: Client, as_scheduler: Client, changes: list[Change]
) -> None:
    address = f"/customers/{changes[0].subject_id}/"
    link = f"/history/?subject=units.customer&amp;number={changes[0].subject_id}&amp;file=csv"
    assert link in as_owner.get(address).content.decode()
    assert link not in as_scheduler.get(address).content.decode()


def test_long_histories_come_in_pages_that_ask_as_much_as_short_ones(
    as_owner: Client, owner: User, django_assert_max_num_queries: object
) -> None:
    customer = CustomerFactory()
    for number in range(120):
        write_change(
            customer,
            action=f"line {number}",
            by=owner,
            at=AT + timedelta(minutes=number),
            after={"name": "x"},
        )
    page = as_owner.get("/history/").content.decode()
    assert "line 119" in page
    assert "line 69" not in page
    assert "Further down the list" in page
