"""Loading the demo company: what is in the register is what was simulated, and its present makes sense."""

from __future__ import annotations

import io
import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.db import connection, transaction
from django.db.models import Count, F
from django.test import Client, override_settings
from django.utils import timezone
from pytest_django.plugin import DjangoDbBlocker

from schedules.models import Absence, MaintenanceTask, NextDue, Visit, WeekPlan
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Call, Finding, SafetyAnswer, Work
from servicedesk.core.models import Change
from servicedesk.core.models.changes import Source
from servicedesk.demo.fleet import DAYS_PER_YEAR, Fleet
from servicedesk.demo.hazards import true_integrated_hazard
from servicedesk.demo.histories import Records, write_records
from servicedesk.demo.scenario import build_fleet
from servicedesk.demo.sources import read_scenario
from tests.servicedesk.reports.naive_counts import lost_sites
from units.models import FailureMode, InstalledPart, ObservationPeriod, Ownership, Site, Unit

pytestmark = [
    pytest.mark.django_db,  # also what makes pytest-django set a test database up
    pytest.mark.long,
]

TODAY = date(2025, 6, 30)
FEWEST_EXPECTED = 5


@dataclass(frozen=True)
class Demo:
    """A loaded demo company, with what was simulated for it."""

    fleet: Fleet
    records: Records
    output: str
    story: dict[str, Any]


@pytest.fixture(scope="module")
def demo(
    django_db_setup: None, django_db_blocker: DjangoDbBlocker, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Demo]:
    """Load the demo company once for this module, and take it back at the end."""
    folder = tmp_path_factory.mktemp("demo")
    fleet = build_fleet(read_scenario(settings.BASE_DIR / "fixtures"), today=TODAY)
    story = json.loads((settings.BASE_DIR / "fixtures/demo/story.json").read_text(encoding="utf-8"))
    with (
        django_db_blocker.unblock(),
        override_settings(INCOMING_DIR=folder / "incoming"),
        transaction.atomic(),
    ):
        output = load(folder)
        connection.check_constraints()  # else every test would check all these rows again at its end
        yield Demo(fleet, write_records(fleet), output, story)
        transaction.set_rollback(True)


def load(folder: Path, *, today: date = TODAY) -> str:
    """Run the command and answer what it printed."""
    out = io.StringIO()
    call_command("load_demo", today=today, folder=folder, stdout=out)
    return out.getvalue()


def moment(day: date, hour: int = 0) -> datetime:
    """Give an hour of a day in the company's zone."""
    return timezone.make_aware(datetime(day.year, day.month, day.day, hour))  # noqa: DTZ001 - made aware here


def test_the_sign_ins_that_are_printed_work(demo: Demo) -> None:
    for person in demo.fleet.scenario.people:
        assert person.username in demo.output
        assert person.password in demo.output
        assert Client().login(username=person.username, password=person.password)
    roles = Counter(person.role for person in User.objects.all())
    assert roles == {Role.TECHNICIAN: 3, Role.SCHEDULER: 1, Role.OWNER: 1}


def test_the_register_holds_the_fleet_part_by_part(demo: Demo) -> None:
    planned = Counter(
        (
            item.unit.code,
            item.component_type,
            item.panel,
            item.pieces,
            item.fitted_on,
            item.removed_on,
            item.lot,
        )
        for item in demo.fleet.items
    )
    columns = ("unit__code", "component_type__name", "panel", "pieces", "fitted_on", "removed_on", "lot")
    assert Counter(InstalledPart.objects.values_list(*columns)) == planned
    assert set(Unit.objects.values_list("code", flat=True)) == {unit.code for unit in demo.fleet.units}


def test_the_register_holds_the_watched_periods(demo: Demo) -> None:
    planned = Counter(
        (unit.code, begins, unit.removed_on or ends)
        for unit in demo.fleet.units
        for begins, ends in unit.periods()
    )
    assert Counter(ObservationPeriod.objects.values_list("unit__code", "from_on", "until_on")) == planned
    ended = set(ObservationPeriod.objects.values_list("ended", flat=True))
    assert ended == set(ObservationPeriod.Ended.values)


def test_the_register_holds_what_no_file_can_say(demo: Demo) -> None:
    for planned in demo.fleet.sites:
        site = Site.objects.get(code=planned.code)
        assert (site.coast, site.care_by, site.access_notes) == (
            planned.coast,
            planned.care_by,
            planned.access_note,
        )
    sold = [site for site in demo.fleet.sites if site.fate.what == "sold"]
    for planned in sold:
        now = Ownership.objects.filter(site__code=planned.code, until_on__isnull=True).first()
        buyer = planned.fate.buyer
        assert (now.customer.name if now else None) == (buyer.name if buyer else None)
        before = Ownership.objects.get(site__code=planned.code, until_on=planned.fate.on)
        assert before.customer.name == planned.customer.name
    with_lite = {unit.code for unit in demo.fleet.units if unit.lower_lite is not None}
    assert set(Unit.objects.filter(lower_lite_mm__gt=0).values_list("code", flat=True)) == with_lite
    assert Unit.objects.exclude(crew="").filter(opening_width_mm__isnull=False).exists()
    # All of it came in by command, save what the two imports wrote.
    assert set(Change.objects.values_list("source", flat=True)) == {Source.COMMAND, Source.IMPORT}


def test_every_failure_stands_on_the_part_that_failed(demo: Demo) -> None:
    brought_in = Finding.objects.filter(is_failure=True, repeat=False, batch__isnull=False)
    at_take_over = brought_in.filter(unit__periods__began="taken_over", found_on=F("unit__periods__from_on"))
    over = Counter(at_take_over.values_list("installed_part__component_type__name", flat=True))
    counts = Counter(
        brought_in.exclude(installed_part=None).values_list("installed_part__component_type__name", flat=True)
    )
    expected = Counter(failure.item.component_type for failure in demo.records.failures)
    assert counts == expected + over
    assert sum(over.values()) == demo.records.at_take_over
    assert brought_in.filter(installed_part=None).count() == demo.records.of_no_part
    assert set(brought_in.filter(installed_part=None).values_list("mode__code", flat=True)) <= {"OPR-01"}
    again = Finding.objects.filter(repeat=True)
    assert again.count() == demo.records.repeats
    assert not again.filter(continues=None).exists()


def test_calls_wait_for_somebody(demo: Demo) -> None:
    calls = list(Call.objects.open().prefetch_related("safety_answers"))
    assert len(calls) == len(demo.story["calls"]) == 12
    assert {call.urgency for call in calls} == set(Call.Urgency.values)
    dangers = [
        call
        for call in calls
        if any(a.answer == SafetyAnswer.Answer.YES and a.is_open for a in call.safety_answers.all())
    ]
    assert len(dangers) == 2
    assert all(call.urgency == Call.Urgency.MAKE_SAFE for call in dangers)
    waiting = [call for call in calls if call.task is not None and call.task.waiting_for]
    assert [call.task.waiting_for for call in waiting if call.task] == ["part"]
    ages = [(TODAY - timezone.localdate(call.reported_at)).days for call in calls]
    assert min(ages) == 0
    assert max(ages) > 14
    assert len({call.site_id for call in calls}) == len(calls)
    assert all(call.task is not None and call.task.is_open for call in calls)


def test_older_calls_are_closed_and_some_found_nothing(demo: Demo) -> None:
    closed = Call.objects.filter(state=Call.State.COMPLETED, batch__isnull=False)
    calls = [entry for entry in demo.records.entries if entry.what == "call"]
    assert closed.count() == len(calls)
    assert closed.filter(findings=None).count() == demo.records.in_vain


def test_the_week_is_planned(demo: Demo) -> None:
    ahead = Visit.objects.open().filter(planned_by=None)
    assert ahead.count() == sum("cancelled" not in row for row in demo.story["visits"])
    states = Counter(ahead.values_list("state", flat=True))
    assert min(states["confirmed"], states["tentative"]) >= 4
    days = {timezone.localdate(visit.starts_at) for visit in ahead}
    assert min(days) >= TODAY
    assert max(days) <= TODAY + timedelta(days=14)
    assert all(day.weekday() < 5 for day in days)
    assert all(visit.visit_tasks.exists() for visit in ahead)
    assert {person.username for visit in ahead for person in visit.technicians.all()} == {
        "tess",
        "selj",
        "okto",
    }
    assert Visit.objects.filter(state="cancelled").count() == 1


def test_the_rounds_of_next_week_are_planned(demo: Demo) -> None:
    plan = WeekPlan.objects.get()
    assert plan.stage == WeekPlan.Stage.DONE
    assert plan.visits.count() >= 15
    assert plan.unassigned.exists()
    assert Absence.objects.count() == 1


def test_two_visits_of_last_week_are_finished(demo: Demo) -> None:
    monday = TODAY - timedelta(days=TODAY.weekday())
    finished = Visit.objects.filter(finished_at__isnull=False)
    assert finished.count() == 2
    assert all(moment(monday - timedelta(days=7)) < v.starts_at < moment(monday) for v in finished)
    done = Work.objects.filter(task__visit_tasks__visit__in=finished)
    assert done.exists()
    outcomes = Counter(finished.values_list("visit_tasks__outcome", flat=True))
    assert outcomes["done"] > 5
    assert outcomes["not_done"] == 1
    assert Call.objects.filter(state=Call.State.COMPLETED, batch__isnull=True).count() == 1


def test_care_is_due_at_sites_whose_care_is_ours(demo: Demo) -> None:
    tasks = MaintenanceTask.objects.open().filter(origin=MaintenanceTask.Origin.MAINTENANCE)
    assert set(tasks.values_list("site__care_by", flat=True)) == {Site.CareBy.US}
    assert tasks.unplanned().filter(due_on__gt=TODAY).count() == 0
    assert 10 <= tasks.values("site").distinct().count() <= 60
    ours = NextDue.objects.of_parts_in_place().filter(installed_part__unit__site__care_by="us")
    ours = ours.filter(installed_part__unit__removed_on__isnull=True)
    due = ours.filter(next_due_on__lte=TODAY).annotate(open_tasks=Count("tasks"))
    assert due.exists()
    assert not due.exclude(tasks__in=tasks).exists()
    # Mostly on time: most parts under our care are not due.
    assert due.count() < ours.count() / 3


def test_a_second_run_changes_nothing_and_says_so(demo: Demo, tmp_path: Path) -> None:
    def counts() -> dict[str, tuple[int, object]]:
        return {
            model._meta.label: (
                model._base_manager.count(),
                model._base_manager.order_by("-pk").values().first(),
            )
            for model in apps.get_models()
        }

    before = counts()
    output = load(tmp_path)
    assert "nothing was changed" in output
    assert "tess" in output
    assert counts() == before
    assert not list(tmp_path.iterdir())


def test_every_unit_has_what_its_drawing_and_cautions_are_made_from(demo: Demo) -> None:
    units = Unit.objects.all()
    assert not units.filter(width_mm=None).exists()
    assert not units.filter(panels=None).exists()
    assert units.filter(above_grade_mm__gt=762).exists()  # over 30 in: a guard is asked about
    assert units.filter(site__year_built__lt=1978).exists()


def printed_rates() -> dict[str, Any]:
    """Read the failure rates by component type that the command prints."""
    out = io.StringIO()
    call_command("figures", "rates", "--by", "component", "--as-of", str(TODAY), "--json", stdout=out)
    printed: dict[str, Any] = json.loads(out.getvalue())
    return printed


def by_component(printed: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Put printed rows under the component type they are about."""
    return {row["component"]: row for row in printed["rows"]}


def independent_events(demo: Demo) -> Counter[str]:
    """Count the failures that were simulated, and the ones that the present added, by component type."""
    events = Counter(failure.item.component_type for failure in demo.records.failures)
    present = Finding.objects.filter(is_failure=True, batch__isnull=True).exclude(installed_part=None)
    rows = [demo.story["closed_call"], *demo.story["calls"]]
    assert present.count() == sum("finding" in row for row in rows)
    return events + Counter(present.values_list("installed_part__component_type__name", flat=True))


def last_words_of_lost_sites() -> Counter[str]:
    """Count the failures by type with which sites were last heard of, two years ago or more."""
    lost = lost_sites(TODAY)
    findings = Finding.objects.filter(is_failure=True, repeat=False, unit__site__in=lost).exclude(
        installed_part=None
    )
    rows = findings.values_list("unit__site", "found_on", "installed_part__component_type__name")
    return Counter(name for site, found_on, name in rows if found_on == lost[site])


def years_in_touch(demo: Demo) -> dict[str, float]:
    """Add up watched years by type, where sites without a word for two years after care end at their last."""
    lost = lost_sites(TODAY)
    ends = {code: lost[site] for code, site in Unit.objects.values_list("code", "site_id") if site in lost}
    years: Counter[str] = Counter()
    for item in demo.fleet.items:
        end = ends.get(item.unit.code, TODAY + timedelta(days=1)) - timedelta(days=1)
        for first, last in item.watched(TODAY):
            years[item.component_type] += max((min(last, end) - first).days, 0) / DAYS_PER_YEAR
    return years


def test_printed_counts_and_item_years_are_the_simulated_ones(demo: Demo) -> None:
    printed = printed_rates()
    rates = by_component(printed)
    events, years, last = independent_events(demo), years_in_touch(demo), last_words_of_lost_sites()
    assert {name for name, row in rates.items() if row["item_years"]} == set(years)
    by_inspections = set(FailureMode.objects.filter(only_at_look=True).values_list("code", flat=True))
    inspected = {each.component_type for each in demo.fleet.scenario.hazards if each.mode in by_inspections}
    assert len(inspected) == 3
    for name, row in rates.items():
        if name in inspected:
            assert row["events"] <= events[name], name
            assert row["item_years"] < years[name], name
        elif name in years:
            assert row["events"] == events[name] - last[name], name
            assert row["item_years"] == pytest.approx(years[name], rel=1e-9), name
    last_words = printed["exclusions"]["last_word"]
    assert sum(row["events"] for row in rates.values()) + last_words == events.total()
    assert last_words < events.total() / 20
    assert printed["exclusions"]["start_not_said"] == 0
    assert printed["exclusions"]["found_at_take_over"] == demo.records.at_take_over
    assert printed["exclusions"]["repeats"] == demo.records.repeats
    assert printed["exclusions"]["wear_only"] == demo.records.wear_only
    assert printed["exclusions"]["part_unknown"] == demo.records.of_no_part


def test_printed_intervals_hold_the_true_rates(demo: Demo) -> None:
    """The true rate of at least nine types in ten lies in the 95 % interval that is printed."""
    rates, years = by_component(printed_rates()), demo.fleet.item_years()
    truth: Counter[str] = Counter()
    for (component_type, _), expected in true_integrated_hazard(demo.fleet).items():
        truth[component_type] += expected
    tried = [name for name, expected in truth.items() if expected >= FEWEST_EXPECTED]
    inside = [
        name for name in tried if rates[name]["low"] <= 100 * truth[name] / years[name] <= rates[name]["high"]
    ]
    assert len(tried) > 15
    assert len(inside) >= 0.9 * len(tried), sorted(set(tried) - set(inside))
