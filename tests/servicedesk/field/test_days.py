"""Which day a record counts for: the day it was made, whatever the phone's clock shows."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.test import Client
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.calls.models import Finding, Inspection, PhoneRecord, Work
from servicedesk.field.phone_clock import read_clock
from tests.factories import ComponentTypeFactory, FailureModeFactory, InstalledPartFactory, UnitFactory
from units.models import FailureMode, Unit

pytestmark = pytest.mark.django_db
NOON = datetime(2026, 11, 29, 17, 0, tzinfo=UTC)  # noon in New York
DAY = timedelta(days=1)


@pytest.fixture(autouse=True)
def _noon() -> Iterator[None]:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def unit() -> Unit:
    """A unit with a track and a mode it can have."""
    made: Unit = UnitFactory(panels=3)
    InstalledPartFactory(unit=made, component_type=ComponentTypeFactory(kind="track"))
    FailureModeFactory(kind="track", name="binds", code="TRK-01")
    return made


def send(
    client: Client,
    unit: Unit,
    kind: str,
    *,
    made_at: datetime,
    sent_at: datetime | None = None,
    old: bool = False,
    **body: Any,
) -> Any:
    """Send a record as a phone does whose clock showed these times; an old script tells days instead."""
    day = str(timezone.localdate(made_at))
    if kind == "finding":
        body |= {"mode": FailureMode.objects.get().pk, "severity": "hinders", "panel": 2}
    if kind == "work":
        body["work"] = "cleaned"
    frame: dict[str, Any] = {} if old else {"made_on": body.pop("made_on", day)}
    body = ({"found_on": day, "done_on": day} if old else {}) | body
    frame |= {
        "key": str(uuid4()),
        "kind": kind,
        "made_at": made_at.isoformat(),
        "body": {"unit": unit.pk, **body},
    }
    if sent_at is not None:
        frame["sent_at"] = sent_at.isoformat()
    return client.post("/field/inbox/", json.dumps(frame), content_type="application/json")


def days() -> list[date]:
    """The days of all that was stored."""
    return [
        *Inspection.objects.filter(outcome="fine").values_list("inspected_on", flat=True),
        *Finding.objects.values_list("found_on", flat=True),
        *Work.objects.values_list("done_on", flat=True),
    ]


@pytest.mark.parametrize("old", [False, True], ids=["new script", "old script"])
@pytest.mark.parametrize("kind", ["fine", "finding", "work"])
def test_what_was_recorded_two_days_ago_and_is_sent_today_keeps_its_day(
    as_technician: Client, unit: Unit, kind: str, old: bool
) -> None:
    sent_at = None if old else NOON
    answer = send(as_technician, unit, kind, made_at=NOON - 2 * DAY, sent_at=sent_at, old=old)
    assert answer.status_code == 200
    assert "clock" not in answer.json()["words"]
    assert days() == [date(2026, 11, 27)]


def test_a_whole_site_keeps_its_day_and_the_units_it_had(as_technician: Client, unit: Unit) -> None:
    gone = UnitFactory(site=unit.site, removed_on=date(2026, 11, 28))
    UnitFactory(site=unit.site, installed_on=date(2026, 11, 28))
    send(as_technician, unit, "fine", made_at=NOON - 2 * DAY, sent_at=NOON, site=unit.site_id)
    assert set(Inspection.objects.values_list("unit", "inspected_on")) == {
        (unit.pk, date(2026, 11, 27)),
        (gone.pk, date(2026, 11, 27)),
    }


def test_what_was_last_seen_in_order_rests_on_the_day_it_was_seen(as_technician: Client, unit: Unit) -> None:
    send(as_technician, unit, "fine", made_at=NOON - 2 * DAY, sent_at=NOON)
    send(as_technician, unit, "finding", made_at=NOON, sent_at=NOON)
    assert Finding.objects.get().last_good_on == date(2026, 11, 27)


def test_a_finding_of_today_does_not_forbid_that_it_was_fine_two_days_ago(
    as_technician: Client, unit: Unit
) -> None:
    send(as_technician, unit, "finding", made_at=NOON, sent_at=NOON)
    assert send(as_technician, unit, "fine", made_at=NOON - 2 * DAY, sent_at=NOON).status_code == 200
    refused = send(as_technician, unit, "fine", made_at=NOON, sent_at=NOON)
    assert refused.status_code == 422
    assert "found at unit" in refused.json()["words"]


@pytest.mark.parametrize("kind", ["fine", "finding", "work"])
@pytest.mark.parametrize(("out", "words"), [(DAY, "a day ahead"), (-DAY, "a day slow")])
def test_a_clock_that_is_a_day_out_costs_nothing_and_is_told(
    as_technician: Client, unit: Unit, kind: str, out: timedelta, words: str
) -> None:
    answer = send(as_technician, unit, kind, made_at=NOON - 2 * DAY + out, sent_at=NOON + out)
    assert answer.status_code == 200
    assert words.replace("a day", "1 day") in answer.json()["words"]
    assert "saved for Nov 27" in answer.json()["words"]
    assert days() == [date(2026, 11, 27)]
    assert PhoneRecord.objects.get().made_at == NOON - 2 * DAY


@pytest.mark.parametrize("kind", ["fine", "finding", "work"])
def test_a_clock_put_right_after_recording_stores_for_today_at_the_latest(
    as_technician: Client, unit: Unit, kind: str
) -> None:
    answer = send(as_technician, unit, kind, made_at=NOON + DAY, sent_at=NOON)
    assert answer.status_code == 200
    assert "clock was wrong when it was recorded; saved for Nov 29" in answer.json()["words"]
    assert days() == [date(2026, 11, 29)]


@pytest.mark.parametrize("kind", ["fine", "finding", "work"])
def test_an_old_script_on_a_phone_a_day_ahead_can_still_record(
    as_technician: Client, unit: Unit, kind: str
) -> None:
    assert send(as_technician, unit, kind, made_at=NOON + DAY, old=True).status_code == 200
    assert days() == [date(2026, 11, 29)]


def test_the_last_minute_of_a_day_belongs_to_it_however_long_the_way(
    as_technician: Client, unit: Unit
) -> None:
    last = datetime(2026, 11, 29, 4, 59, 50, tzinfo=UTC)  # ten seconds before midnight in New York
    with time_machine.travel(last + timedelta(minutes=2), tick=False):  # a poor line
        send(as_technician, unit, "fine", made_at=last, sent_at=last + timedelta(seconds=1))
    assert days() == [date(2026, 11, 28)]


def test_a_clock_two_hours_slow_around_midnight(as_technician: Client, unit: Unit) -> None:
    true = datetime(2026, 11, 29, 5, 30, tzinfo=UTC)  # half past midnight in New York; the phone shows 22:30
    slow = timedelta(hours=2)
    answer = send(as_technician, unit, "work", made_at=true - slow, sent_at=NOON - slow)
    assert days() == [date(2026, 11, 29)]
    assert "2 hours slow" in answer.json()["words"]


@pytest.mark.parametrize(
    ("made", "day"),
    [
        (datetime(2026, 11, 1, 3, 59, tzinfo=UTC), date(2026, 10, 31)),  # 23:59 EDT
        (
            datetime(2026, 11, 1, 4, 30, tzinfo=UTC),
            date(2026, 11, 1),
        ),  # 0:30 EDT
        (datetime(2026, 11, 2, 4, 59, tzinfo=UTC), date(2026, 11, 1)),  # 23:59 EST, after 25 hours
        (datetime(2026, 3, 8, 4, 59, tzinfo=UTC), date(2026, 3, 7)),  # 23:59 EST
        (datetime(2026, 3, 9, 3, 59, tzinfo=UTC), date(2026, 3, 8)),  # 23:59 EDT, after 23 hours
    ],
)
def test_nights_in_which_clocks_change(as_technician: Client, unit: Unit, made: datetime, day: date) -> None:
    send(as_technician, unit, "fine", made_at=made, sent_at=NOON)
    assert days() == [day]


def test_a_phone_in_another_time_zone_stores_for_the_day_of_the_company(
    as_technician: Client, unit: Unit
) -> None:
    made = datetime(2026, 11, 29, 5, 30, tzinfo=UTC)  # half past midnight in New York, evening further west
    send(
        as_technician,
        unit,
        "finding",
        made_at=made,
        sent_at=NOON,
        made_on="2026-11-28",
        found_on="2026-11-28",
    )
    assert days() == [date(2026, 11, 29)]


def test_a_day_that_was_chosen_is_moved_with_the_clock(as_technician: Client, unit: Unit) -> None:
    send(as_technician, unit, "work", made_at=NOON + DAY, sent_at=NOON + DAY, done_on="2026-11-28")
    assert days() == [date(2026, 11, 27)]


def test_the_same_record_sent_again_later_is_the_same(as_technician: Client, unit: Unit) -> None:
    frame = {
        "key": str(uuid4()),
        "kind": "fine",
        "made_at": NOON.isoformat(),
        "sent_at": NOON.isoformat(),
        "body": {"unit": unit.pk},
    }
    for hours in (0, 5):
        frame["sent_at"] = (NOON + timedelta(hours=hours)).isoformat()
        assert (
            as_technician.post(
                "/field/inbox/", json.dumps(frame), content_type="application/json"
            ).status_code
            == 200
        )
    assert Inspection.objects.count() == PhoneRecord.objects.count() == 1


@given(
    st.timedeltas(timedelta(0), timedelta(days=9000)),
    st.timedeltas(-timedelta(days=3000), timedelta(days=3000)),
)
def test_however_far_a_clock_is_out_the_moment_comes_out_right(ago: timedelta, out: timedelta) -> None:
    true = NOON - ago
    clock = read_clock(
        made_at=(true + out).isoformat(), sent_at=(NOON + out).isoformat(), made_on=None, at=NOON
    )
    assert abs(clock.at - true) <= timedelta(minutes=5)
    assert clock.at <= NOON


@given(st.text(), st.text(), st.text(), st.text())
def test_junk_for_a_clock_stands_for_now(made: str, sent: str, day: str, stated_day: str) -> None:
    clock = read_clock(made_at=made, sent_at=sent, made_on=day, at=NOON)
    assert clock.at <= NOON
    assert isinstance(clock.reported_day(stated_day), str)
