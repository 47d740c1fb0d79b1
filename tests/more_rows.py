"""More rows of everything a page may show, around the very records that the pages are opened for.

`grow` adds to each of them what can be many: units of the site, parts of the unit, findings and works at it,
calls, tasks, visits, photos, letters, changes, and beside them more people, sites, rules, imports and plans.
Rows are made by factories, not by operations: what counts here is how a page reads them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from itertools import count
from typing import Any
from uuid import uuid4

from django.contrib.auth.models import Group
from django.utils import timezone

from schedules.models import (
    Absence,
    AgreedTime,
    CalendarLink,
    CustomerAnswer,
    DayWeather,
    MaintenanceRule,
    MaintenanceTask,
    NextDue,
    Notification,
    UnassignedWork,
    Visit,
    VisitTask,
    WeekPlan,
    WorkingDay,
    WorkTerms,
)
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Call, Finding, PhoneRecord, Photo, SafetyAnswer
from servicedesk.core.history import write_change
from servicedesk.core.models import Batch, ChangedField
from servicedesk.imports.models import BatchFile, StagedProblem
from servicedesk.reports.models import FailureDay, LotFlag
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    ConstructionFactory,
    ConstructionPartFactory,
    CustomerFactory,
    FailureModeFactory,
    FindingFactory,
    InspectionFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    ObservationPeriodFactory,
    OwnershipFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    UserFactory,
    VisitFactory,
    WorkFactory,
)
from units.models import ComponentType, Customer, FailureMode, InstalledPart, PartialRemoval, Site, Unit

LOT = "L-more"
_number = count(1)


@dataclass(frozen=True)
class Shown:
    """The records that the pages are opened for."""

    people: dict[str, User]
    unit: Unit
    visit: Visit
    call: Call
    finding: Finding
    task: MaintenanceTask
    customer: Customer
    batch: Batch

    @property
    def site(self) -> Site:
        """The site of the unit."""
        return self.unit.site


def grow(shown: Shown, *, times: int) -> None:
    """Add so many rows of everything."""
    for _ in range(times):
        number = next(_number)
        person = _people(shown, number)
        _reference(shown, number)
        site = SiteFactory(code=f"more-{number}", care_by="us", latitude=40, longitude=-74)
        OwnershipFactory(site=site, customer=CustomerFactory(email="ada@example.com"))
        OwnershipFactory(site=SiteFactory(code=f"held-{number}"), customer=shown.customer)
        for place in (site, shown.site, shown.visit.site, shown.call.site):
            unit = UnitFactory(
                code=f"more-{number}-{place.pk}-{uuid4().hex[:6]}",
                site=place,
                construction=shown.unit.construction,
                panels=4,
                place="north wall",
            )
            ObservationPeriodFactory(unit=unit)
            _life_of(shown, unit, number, panel=0)
        _life_of(shown, shown.unit, number, panel=100 + number)
        _visits(shown, site, person, number)
        _desk(shown, person, number)


def _people(shown: Shown, number: int) -> User:
    """Add somebody of each role, with terms, an absence and a calendar."""
    now, today = timezone.now(), timezone.localdate()
    made: list[User] = []
    for role in Role:
        person = UserFactory(username=f"more-{role.value}-{number}")
        person.groups.add(Group.objects.get_or_create(name=role.value)[0])
        made.append(person)
        WorkTerms.objects.create(person=person, goes_out=True)
        for weekday in range(7):
            WorkingDay.objects.create(person=person, weekday=weekday, begins=time(8), ends=time(16))
        Absence.objects.create(
            person=person, first_on=today + timedelta(days=60), last_on=today + timedelta(days=61)
        )
        CalendarLink.objects.create(
            person=person, secret_hash=uuid4().hex * 2, made_at=now, made_by=shown.people["owner"]
        )
    return made[0]


def _reference(shown: Shown, number: int) -> None:
    """Add a type of part, a construction with it, a way it fails and a rule for it."""
    made = ComponentTypeFactory(name=f"more type {number}", kind="track")
    built = ConstructionFactory(name=f"more construction {number}", code=f"M{number}")
    ConstructionPartFactory(construction=built, component_type=made)
    mode = FailureModeFactory(code=f"MOR-{number:03d}", kind="track", name=f"fails in more ways {number}")
    mode.expected_on.add(built)
    MaintenanceRuleFactory(component_type=made, name=f"more care {number}", planned_at=timezone.now())
    for of_type in {
        part.component_type for part in shown.unit.installed_parts.select_related("component_type")
    }:
        MaintenanceRuleFactory(component_type=of_type, name=f"more care {number}", planned_at=timezone.now())
        LotFlag.objects.create(
            component_type=of_type,
            lot=f"M{number}",
            way=LotFlag.Way.values[0],
            raised_on=timezone.localdate(),
            events=9,
            expected=2.0,
            failed_sites=5,
            items=30,
            sites=20,
            years=70.0,
        )
        FailureDay.objects.create(
            on=timezone.localdate() - timedelta(days=number),
            component_type=of_type,
            mode=FailureMode.objects.filter(kind=of_type.kind).order_by("pk")[0],
            failures=1,
        )


def _life_of(shown: Shown, unit: Unit, number: int, *, panel: int) -> None:
    """Fit parts into a unit, let them fail and be looked after, on a call and on a visit."""
    now, today = timezone.now(), timezone.localdate()
    person = shown.people["technician"]
    call = _call(shown, unit)
    Photo.objects.create(unit=unit, name=uuid4().hex, width=9, height=9, added_at=now, added_by=person)
    InspectionFactory(unit=unit, call=call, visit=shown.visit, inspected_by=person)
    write_change(unit, action="changed", by=person, at=now)
    for kind in ("track", "corner"):
        of_type = ComponentType.objects.filter(kind=kind).order_by("pk")[0]
        part = InstalledPartFactory(
            unit=unit, component_type=of_type, panel=panel, pieces=4, lot=LOT, fitted_on=unit.installed_on
        )
        gone = InstalledPartFactory(
            unit=unit,
            component_type=of_type,
            panel=panel + 500,
            fitted_on=unit.installed_on,
            removed_on=unit.installed_on + timedelta(days=9),
        )
        PartialRemoval.objects.create(installed_part=part, panel=1, pieces=1, left_on=unit.installed_on)
        mode = FailureMode.objects.filter(kind=of_type.kind).order_by("pk")[number % 2]
        for which in (call, shown.call, None):
            finding = FindingFactory(
                unit=unit,
                installed_part=part,
                mode=mode,
                call=which,
                recorded_by=person,
                found_on=today - timedelta(days=number),
                severity="danger",
                made_safe_how="panel taken down",
            )
            FindingFactory(
                unit=unit,
                installed_part=gone,
                mode=mode,
                call=which,
                repeat=True,
                continues=finding,
                recorded_by=person,
            )
            done = WorkFactory(unit=unit, installed_part=part, call=which, done_by=person, minutes=20)
            WorkFactory(unit=unit, installed_part=part, finding=finding, done_by=person, done_on=done.done_on)
            Photo.objects.create(finding=finding, name=uuid4().hex, width=9, height=9, added_at=now)
        FindingFactory(
            unit=unit,
            installed_part=part,
            mode=mode,
            severity="danger",
            made_safe_how="tagged",
            recorded_by=person,
        )
        _maintenance(shown, part)


def _call(shown: Shown, unit: Unit) -> Call:
    """Log an open call about a unit, answered and planned, and one that is over."""
    now, person = timezone.now(), shown.people["scheduler"]
    task = TaskFactory(unit=unit, origin="call", due_on=timezone.localdate(), state="in-process")
    VisitTask.objects.create(visit=shown.visit, task=task)
    urgent: Call = CallFactory(
        site=unit.site,
        unit=unit,
        task=task,
        urgency="make_safe",
        symptom="stiff",
        reported_at=now,
        logged_by=person,
        rank=1,
    )
    CallFactory(site=unit.site, unit=unit, state="completed", closed_at=now, rank=9, logged_by=person)
    CallFactory(
        site=unit.site, unit=unit, logged_by=person, task=TaskFactory(unit=unit, origin="call"), rank=2
    )
    SafetyAnswer.objects.create(call=urgent, question="fall_risk", answer="yes")
    SafetyAnswer.objects.create(call=urgent, question="guard_glass", answer="no")
    Photo.objects.create(call=urgent, name=uuid4().hex, width=9, height=9, added_at=now)
    return urgent


def _maintenance(shown: Shown, part: InstalledPart) -> None:
    """Put a part under a rule, with a task that waits, one to plan and one on the visit."""
    rules = list(MaintenanceRule.objects.filter(component_type=part.component_type).order_by("pk")[:3])
    soon = timezone.localdate() + timedelta(days=20)
    for place, rule in enumerate(rules):
        due: NextDue = NextDueFactory(installed_part=part, rule=rule, next_due_on=soon)
        if place == 2:
            continue
        task = TaskFactory(
            unit=part.unit,
            installed_part=part,
            next_due=due,
            work=rule.work,
            due_on=timezone.localdate(),
            state="in-process" if place else "needs-action",
        )
        if place:
            VisitTask.objects.create(visit=shown.visit, task=task)


def _visits(shown: Shown, site: Site, person: User, number: int) -> None:
    """Plan visits of today and around, with tasks and two people, and a plan that left some over."""
    now, today = timezone.now(), timezone.localdate()
    plan = WeekPlan.objects.create(
        monday=shown.visit.local_start.date() - timedelta(days=shown.visit.local_start.weekday()),
        stage=WeekPlan.Stage.DONE,
        asked_at=now,
        done_at=now,
        asked_by=shown.people["scheduler"],
    )
    for place in (site, shown.site):
        UnassignedWork.objects.create(plan=plan, site=place, tasks=2, minutes=30, priority=3, why="full")
        AgreedTime.objects.create(
            site=place, on=today + timedelta(days=number), earliest=time(8), latest=time(12)
        )
        moments = [timezone.make_aware(datetime.combine(today, time(6))) + timedelta(minutes=20 * number)]
        moments += [moments[0] - timedelta(days=3), moments[0] + timedelta(days=3), shown.visit.starts_at]
        for moment in moments:
            visit = VisitFactory(
                site=place,
                starts_at=moment,
                ends_at=moment + timedelta(minutes=20),
                state="confirmed" if moment < now else "tentative",
                planned_by=plan,
            )
            visit.technicians.set([shown.people["technician"], person])
            for unit in place.units.order_by("pk")[:2]:
                task = TaskFactory(unit=unit, due_on=today, state="in-process")
                VisitTask.objects.create(visit=visit, task=task)
        VisitFactory(site=place, starts_at=shown.visit.starts_at, planned_by=plan)
    DayWeather.objects.create(on=today + timedelta(days=30 + number), warmest_c=21)


def _desk(shown: Shown, person: User, number: int) -> None:
    """Add letters, answers, records of phones, changes, imports and photos of what is shown."""
    now = timezone.now()
    for customer in (shown.customer, CustomerFactory()):
        about = {"subject": "visit", "subject_id": shown.visit.pk, "due_on": timezone.localdate()}
        Notification.objects.create(
            kind="ahead", customer=customer, addressee=f"m{number}/{customer.pk}", **_times(now), **about
        )
        CustomerAnswer.objects.create(visit=shown.visit, customer=customer, said="suits", at=now)
    about = {"subject": "day", "subject_id": number, "due_on": timezone.localdate()}
    Notification.objects.create(
        kind="round_day", person=person, addressee=f"p{number}", payload={}, **_times(now), **about
    )
    PhoneRecord.objects.create(
        key=uuid4(),
        by=person,
        kind="finding",
        fingerprint="x" * 64,
        payload={
            "mode": FailureMode.objects.order_by("-pk")[0].pk,
            "tasks": [shown.task.pk],
            f"task_{MaintenanceTask.objects.order_by('-pk')[0].pk}": "done",
        },
        unit=UnitFactory(code=f"sent-{number}"),
        site=shown.site,
        answer={},
        made_at=now,
        received_at=now,
        look_at="recorded on a visit that was canceled meanwhile",
    )
    subjects: list[Any] = [shown.site, shown.visit, shown.call, shown.finding, shown.task, shown.customer]
    for subject in [*subjects, *shown.people.values(), shown.batch, InstalledPart.objects.order_by("pk")[0]]:
        change = write_change(subject, action="changed", by=person, at=now)
        ChangedField.objects.create(change=change, field="note", before="one", after="other")
        ChangedField.objects.create(change=change, field="name", before="one", after="other")
    for holder in ({"call": shown.call}, {"finding": shown.finding}, {"unit": shown.unit}):
        Photo.objects.create(name=uuid4().hex, width=9, height=9, added_at=now, added_by=person, **holder)
    batch = Batch.objects.create(started_at=now, by=person, folder=uuid4().hex, care_by="us", stage="applied")
    BatchFile.objects.create(batch=batch, file="units", name="units.csv", size=1)
    for line in (1, 2):
        StagedProblem.objects.create(
            batch=shown.batch, file="units", line=100 * number + line, column="unit", value="?", reason="bad"
        )


def _times(now: datetime) -> dict[str, datetime]:
    return {"next_try_at": now, "made_at": now}
