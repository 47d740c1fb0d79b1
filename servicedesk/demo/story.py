"""Present of the demo company: open calls, last week's visits, this week's plan and due maintenance.

All of it goes through the operations that the pages use, each at the time at which it would have been done.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from django.db.models import Count
from django.utils import timezone

from schedules.models import Absence, MaintenanceTask, Visit
from schedules.operations import (
    add_absence,
    ask_for_week,
    cancel_visit,
    confirm_visit,
    plan_visit,
    raise_due,
    solve_week,
)
from schedules.plans.weeks import monday_of
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, SafetyAnswer
from servicedesk.calls.operations import (
    Result,
    finish,
    log_call,
    note_made_safe,
    record_finding,
    record_no_faults,
    wait_for,
)
from servicedesk.demo.dice import Dice
from servicedesk.demo.fleet import Fleet, PlannedUnit
from servicedesk.demo.scenario import STORY, stream
from units.models import FailureMode, Site, Unit

Row = Mapping[str, Any]

LONGEST_VISIT = 240
SHORT_SEARCH = 1500
BEFORE_LAST_WEEK = timedelta(days=14)
BEFORE_PLANNING = timedelta(days=3)


class Story:
    """Writer of the present of a loaded demo company, as of a moment."""

    def __init__(self, fleet: Fleet, path: Path, *, people: Mapping[str, User], now: datetime) -> None:
        self.rows: Row = json.loads(path.read_text(encoding="utf-8"))
        self.fleet, self.people, self.now = fleet, people, now
        self.today = timezone.localdate(now)
        self.dice: Dice = stream(fleet, STORY)
        self.calls: dict[str, Call] = {}
        self.maintenance_sites: list[Site] = []
        self.scheduler = self._first("scheduler")
        self.technician = self._first("technician")

    def tell(self) -> None:
        """Run the last weeks, then the planning of this one."""
        self._raise_due(BEFORE_LAST_WEEK)
        calls = [self.rows["closed_call"], *self.rows["calls"]]
        self._choose_sites(calls)
        for row in sorted(calls, key=self._reported_at):
            self._call(row)
        for row in self.rows["finished_visits"]:
            self._finished_visit(row)
        self._raise_due(BEFORE_PLANNING)
        for row in self.rows["visits"]:
            self._visit(row)
        self._raise_due(timedelta(0))
        self._plan_next_week()

    def _plan_next_week(self) -> None:
        """Plan the routes of the week after this one, with a shorter search than on a page."""
        monday = monday_of(self.today) + timedelta(days=7)
        person, days = self.people[self.rows["away"]["who"]], self.rows["away"]["days"]
        away = [monday + timedelta(days=number) for number in days]
        absence = Absence(person=person, first_on=away[0], last_on=away[-1], note=self.rows["away"]["note"])
        add_absence(absence, by=self.scheduler, at=self.now)
        plan = ask_for_week(monday, horizon_days=7, by=self.scheduler, at=self.now)
        solve_week(plan, number=SHORT_SEARCH, at=self.now)

    def _first(self, role: str) -> User:
        return next(self.people[who.username] for who in self.fleet.scenario.people if who.role == role)

    def _raise_due(self, ago: timedelta) -> None:
        raise_due(self.today - ago, at=self.now - ago)

    def _choose_sites(self, calls: Sequence[Row]) -> None:
        """Choose the unit of each call, and the sites of maintenance visits: those with the most due."""
        taken: set[str] = set()
        self.units: dict[str, Unit] = {}
        waiting = MaintenanceTask.objects.unplanned().filter(origin=MaintenanceTask.Origin.MAINTENANCE)
        counted = waiting.values("site").annotate(tasks=Count("pk")).order_by("-tasks", "site")
        keys = [row["site"] for row in counted]
        for row in calls:
            fitting = [u for u in self.fleet.units if u.site.code not in taken and self._fits(u, row)]
            planned = self.dice.one_of(fitting)
            taken.add(planned.site.code)
            self.units[row["key"]] = Unit.objects.select_related("site").get(code=planned.code)
        by_pk = Site.objects.exclude(code__in=taken).in_bulk(keys)
        self.maintenance_sites = [by_pk[key] for key in keys if key in by_pk]

    def _fits(self, unit: PlannedUnit, row: Row) -> bool:
        """Return whether a call can be about a unit; calls avoid the sites whose maintenance is ours."""
        panels = unit.panels or 0
        return (
            unit.site.fate.what == "with us"
            and unit.site.care_by != "us"
            and row.get("construction", unit.construction) == unit.construction
            and row.get("finish", unit.finish) == unit.finish
            and (not row.get("lite") or unit.lower_lite is not None)
            and row.get("finding", {}).get("panel", 0) <= panels
            and not unit.swaps
        )

    def _reported_at(self, row: Row) -> datetime:
        if "minutes_ago" in row:
            return self.now - timedelta(minutes=row["minutes_ago"])
        return self._moment(self.today - timedelta(days=row["days_ago"]), row["time"])

    def _call(self, row: Row) -> None:
        """Log a call, and what was done about it since."""
        unit, at = self.units[row["key"]], self._reported_at(row)
        owner = unit.site.ownerships.current().select_related("customer").get().customer
        call = Call(
            site=unit.site,
            unit=unit if row.get("unit_known", True) else None,
            reported_by=owner.name,
            phone=owner.phone,
            words=row["words"],
            symptom=row["symptom"],
            urgency=row["urgency"],
        )
        yes = row.get("yes", [])
        answers = {name: "yes" if name in yes else "no" for name in SafetyAnswer.Question.values}
        self.calls[row["key"]] = call = log_call(call, answers=answers, by=self.scheduler, at=at)
        seen_at = at + timedelta(hours=3)
        if "made_safe" in row:
            danger = call.safety_answers.get(answer=SafetyAnswer.Answer.YES)
            note_made_safe(danger, how=row["made_safe"], by=self.technician, at=seen_at)
        if "finding" in row and row is not self.rows["closed_call"]:
            self._finding(row, call, at=seen_at)
        if "waits_for" in row:
            until = self.today + timedelta(days=row["waits_days"])
            wait_for(call, waiting_for=row["waits_for"], until=until, by=self.scheduler, at=seen_at)

    def _finding(self, row: Row, call: Call, *, at: datetime, visit: Visit | None = None) -> None:
        data = row["finding"]
        finding = Finding(
            unit=self.units[row["key"]],
            mode=FailureMode.objects.get(code=data["mode"]),
            call=call,
            found_on=timezone.localdate(at),
            panel=data.get("panel"),
            severity=data["severity"],
            mechanism=data["mechanism"],
            cause=data["cause"],
            made_safe_how=row.get("made_safe", "") if data["severity"] == "danger" else "",
            detected=Finding.Detected.CALLED,
        )
        record_finding(finding, visit=visit, by=self.technician, at=at)

    def _finished_visit(self, row: Row) -> None:
        """Plan, confirm and finish a visit of last week; one maintenance task could not be done."""
        monday = self.today - timedelta(days=self.today.weekday() + 7)
        starts_at = self._moment(monday + timedelta(days=row["weekday"]), row["time"])
        visit = self._planned(row, starts_at=starts_at, at=starts_at - timedelta(days=1))
        visit = confirm_visit(visit, by=self.scheduler, at=starts_at - timedelta(hours=18))
        ends_at = starts_at + timedelta(minutes=row["minutes"])
        technician = self.people[row["who"][0]]
        if "call" in row:
            self._finding(self.rows["closed_call"], self.calls[row["call"]], at=ends_at, visit=visit)
        else:
            record_no_faults(visit.site, call=None, visit=visit, by=technician, at=ends_at)
        tasks = list(MaintenanceTask.objects.filter(visit_tasks__visit=visit).order_by("pk"))
        results = {task.pk: Result(done=True, minutes=task.minutes) for task in tasks}
        if len(tasks) > 1:
            results[tasks[-1].pk] = Result(done=False, why_not=MaintenanceTask.NotDone.NO_ACCESS)
        finish(visit, results=results, finished_at=ends_at, by=technician, at=ends_at)

    def _visit(self, row: Row) -> None:
        """Plan a visit of this week or the next; some are confirmed by now, and one was cancelled."""
        starts_at = self._moment(self._working_day(row["day"]), row["time"])
        known_at = self.calls[row["call"]].reported_at if "call" in row else self.now - BEFORE_PLANNING
        at = known_at + timedelta(minutes=50)
        visit = self._planned(row, starts_at=starts_at, at=at)
        if row.get("confirmed"):
            confirm_visit(visit, by=self.scheduler, at=at + timedelta(minutes=20))
        if "cancelled" in row:
            cancel_visit(visit, why=row["cancelled"], by=self.scheduler, at=at + timedelta(hours=5))

    def _planned(self, row: Row, *, starts_at: datetime, at: datetime) -> Visit:
        site = self.calls[row["call"]].site if "call" in row else self.maintenance_sites[row["care"]]
        return plan_visit(
            site,
            starts_at=starts_at,
            minutes=row.get("minutes"),
            technicians=[self.people[name] for name in row["who"]],
            tasks=_first_hours(
                MaintenanceTask.objects.unplanned().filter(site=site).order_by("priority", "pk")
            ),
            note=row.get("note", ""),
            by=self.scheduler,
            at=at,
        )

    def _working_day(self, count: int) -> date:
        """Working day that many days from today; on a weekend the first one is the Monday after."""
        day = self.today
        while day.weekday() > 4:
            day += timedelta(days=1)
        for _ in range(count):
            day += timedelta(days=3 if day.weekday() == 4 else 1)
        return day

    def _moment(self, day: date, at: str) -> datetime:
        return timezone.make_aware(datetime.combine(day, time.fromisoformat(at)))


def _first_hours(tasks: Iterable[MaintenanceTask]) -> list[MaintenanceTask]:
    """As many tasks as fit in a visit, in the order given."""
    taken: list[MaintenanceTask] = []
    minutes = 0
    for task in tasks:
        minutes += task.minutes
        if taken and minutes > LONGEST_VISIT:
            break
        taken.append(task)
    return taken
