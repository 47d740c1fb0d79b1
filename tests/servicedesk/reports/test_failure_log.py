"""The fleet's failure log: by day and type the new failures and the items at risk, always as if kept anew."""

from __future__ import annotations

import io
import random
from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.core.management import call_command
from django.test import Client

from servicedesk.calls.models import Finding
from servicedesk.reports.models import FailureDay, LogMark, RiskDay
from servicedesk.reports.operations import keep_failure_log, rebuild_failure_log
from servicedesk.reports.queries.cells import read_cells
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.tasks import keep_failure_log as nightly
from tests.servicedesk.reports.random_fleets import draw_fleet
from tests.servicedesk.reports.small_fleets import Fleet, day
from units.models import FailureMode, InstalledPart, ObservationPeriod

pytestmark = pytest.mark.django_db

AT = datetime(2024, 12, 31, 7, 30, tzinfo=UTC)


def keep(today: date) -> tuple[int, int]:
    """Keep the log and tell how many days and rows were written."""
    result = keep_failure_log(today=today, at=AT)
    return result.days, result.rows


def stored() -> tuple[dict[tuple[date, int, int], int], dict[tuple[date, int], int]]:
    """Give all that the log holds."""
    return (
        {(row.on, row.component_type_id, row.mode_id): row.failures for row in FailureDay.objects.all()},
        {(row.on, row.component_type_id): row.items for row in RiskDay.objects.all()},
    )


def test_each_day_holds_its_failures_and_the_items_at_risk() -> None:
    fleet = Fleet()
    first = fleet.unit()
    fleet.watch(first, 0, 6)
    part = fleet.fit(first, 0, 4)
    fleet.find(part, 2)
    fleet.find(part, 2, repeat=True)
    second = fleet.unit()
    fleet.watch(second, 3)
    later = fleet.fit(second, 0)
    fleet.find(later, 5, mode=fleet.waves)
    assert keep(day(6)) == (6, 8)
    failures, items = stored()
    track = fleet.track.pk
    assert failures == {(day(2), track, fleet.binds.pk): 1, (day(5), track, fleet.waves.pk): 1}
    # A part is at risk from the day after it was fitted (or taken over) to the day it went.
    expected = {1: 1, 2: 1, 3: 1, 4: 2, 5: 1, 6: 1}
    assert items == {(day(number), track): many for number, many in expected.items()}
    mark = LogMark.objects.get()
    assert (mark.kept_until, mark.kept_at) == (day(6), AT)


def test_the_log_adds_up_to_the_rates() -> None:
    draw_fleet(5)
    FailureMode.objects.update(only_at_look=False)  # of these rates count time up to a look
    today = date(2020, 2, 20)
    keep(today)
    cells = read_cells(Selection(as_of=today), by="component")
    failures, items = stored()
    for place, key in enumerate(cells.groups):
        rows = cells.of(place)
        assert sum(n for (_, of_type, _), n in failures.items() if of_type == key) == cells.events[rows].sum()
        assert sum(n for (_, of_type), n in items.items() if of_type == key) == cells.days[rows].sum()


def test_keeping_it_again_writes_nothing_and_a_late_entry_only_its_days() -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    fleet.find(part, 10)
    assert keep(day(20)) == (20, 21)
    assert keep(day(20)) == (0, 0)
    fleet.find(part, 7)  # found on day 7, written down weeks later
    assert keep(day(20)) == (1, 1)
    Finding.objects.get(found_on=day(10)).delete()
    assert keep(day(20)) == (1, 1)
    assert keep(day(21)) == (1, 1)
    assert {on for on, _, _ in stored()[0]} == {day(7)}


EDITS = (
    "late finding",
    "finding taken back",
    "finding moved",
    "not a failure",
    "part taken out",
    "watch ended",
)


def edit(dice: random.Random) -> None:
    """Change something in the records, as people do after the log was kept."""
    parts, findings = list(InstalledPart.objects.order_by("pk")), list(Finding.objects.order_by("pk"))
    what, part = dice.choice(EDITS), dice.choice(parts)
    finding = dice.choice(findings) if findings else None
    if what == "late finding" or finding is None:
        mode = dice.choice(list(FailureMode.objects.filter(kind=part.kind).order_by("pk")))
        on = part.fitted_on + timedelta(days=dice.randrange(40))
        Finding.objects.create(unit=part.unit, installed_part=part, mode=mode, found_on=on)
    elif what == "finding taken back":
        if not finding.continued_by.exists():
            finding.delete()
    elif what == "finding moved":
        Finding.objects.filter(pk=finding.pk).update(
            found_on=finding.found_on + timedelta(days=dice.randrange(-5, 6)), last_good_on=None
        )
    elif what == "not a failure":
        Finding.objects.filter(pk=finding.pk).update(is_failure=not finding.is_failure)
    elif what == "part taken out" and part.removed_on is None:
        InstalledPart.objects.filter(pk=part.pk).update(
            removed_on=part.fitted_on + timedelta(days=dice.randrange(30))
        )
    elif what == "watch ended":
        period = dice.choice(list(ObservationPeriod.objects.order_by("pk")))
        if period.until_on is None:
            ObservationPeriod.objects.filter(pk=period.pk).update(
                until_on=period.from_on + timedelta(days=dice.randrange(40))
            )


@pytest.mark.parametrize("seed", range(12))
def test_after_any_edits_the_log_is_what_keeping_it_anew_would_give(seed: int) -> None:
    draw_fleet(seed)
    dice = random.Random(seed)
    today = date(2020, 2, 10)
    keep(today)
    for number in range(8):
        for _ in range(dice.randrange(1, 4)):
            edit(dice)
        today += timedelta(days=number % 2)
        keep(today)
        grown = stored()
        rebuild_failure_log(today=today, at=AT)
        assert grown == stored()


def test_the_nightly_task_keeps_it_and_the_owner_sees_up_to_when(as_owner: Client) -> None:
    fleet = Fleet()
    fleet.find(fleet.watched_part(), 10)
    assert "not been written yet" in as_owner.get("/figures/log/").content.decode()
    with time_machine.travel(datetime(2020, 1, 21, 17, 0, tzinfo=UTC), tick=False):
        assert nightly() == "20 days of the failure log written"
        assert nightly() == "no days of the failure log written"
        page = as_owner.get("/figures/log/").content.decode()
    assert "Written up to January 21, 2020" in page


def test_the_command_does_the_same_and_can_begin_anew() -> None:
    fleet = Fleet()
    fleet.find(fleet.watched_part(), 10)

    def told(*arguments: str) -> str:
        out = io.StringIO()
        call_command("keep_failure_log", *arguments, stdout=out)
        return out.getvalue()

    with time_machine.travel(datetime(2020, 1, 21, 17, 0, tzinfo=UTC), tick=False):
        assert told() == "20 days of the failure log written (21 rows).\n"
        assert told() == "no days of the failure log written (no rows).\n"
        assert told("--rebuild") == "20 days of the failure log written (21 rows).\n"


def test_lines_of_the_log_name_themselves() -> None:
    fleet = Fleet()
    fleet.find(fleet.watched_part(), 1)
    keep(day(1))
    assert str(FailureDay.objects.get()) == "2020-01-02 bare track binds: 1"
    assert str(RiskDay.objects.get()) == "2020-01-02 bare track: 1"
    assert str(LogMark.objects.get()) == "kept until 2020-01-02"
