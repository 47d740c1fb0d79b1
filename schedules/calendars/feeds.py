"""Contents of the calendar feeds (visits, due maintenance, to-dos) and their time windows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from itertools import groupby
from typing import Any
from uuid import UUID, uuid5

from django.conf import settings
from django.db.models import Count, Max, Q, QuerySet, Sum
from django.urls import reverse
from django.utils import timezone

from schedules.calendars.entries import DueEvent, Todo, VisitEvent
from schedules.calendars.ical import build_calendar
from schedules.models import MaintenanceTask, NextDue, Visit, VisitTask
from schedules.querysets import VisitQuerySet
from schedules.words import maintenance_reason, span
from servicedesk.accounts.models import User
from servicedesk.core.models import Change
from servicedesk.core.values.dates import start_of
from servicedesk.core.values.words import count
from units.models import Site

BACK = timedelta(days=30)
AHEAD = timedelta(days=180)
CANCELLED_FOR = timedelta(days=30)
OVERDUE_FOR = timedelta(days=366)
OVER = (MaintenanceTask.State.COMPLETED, MaintenanceTask.State.CANCELLED)
MOST_DUE_ENTRIES = 1000
ROWS_AT_ONCE = 500
MAKE_SAFE = "MAKE SAFE: "
VISITS_COLOR, DUE_COLOR = "saddlebrown", "steelblue"

DUE_ENTRIES = UUID("8d0b6f4e-3c0e-4f0c-9f53-0c7b2f0b8a11")
"""UUID namespace of the UIDs of due entries. The UID is derived from the contents of the entry: other
maintenance or another day makes another entry, so that a reader never mixes an old one with a new one."""

TASK_ENTRIES = UUID("5f0c6f0e-53b1-4b55-9a3e-0a6f0f6c1d27")
"""UUID namespace of the UIDs of to-dos, one for each task."""


def visits_feed(person: User | None, *, at: datetime) -> bytes:
    """Build the visits feed of one technician, or of the team, from thirty days back to half a year ahead."""
    today = timezone.localdate(at)
    start, end = start_of(today - BACK), start_of(today + AHEAD)
    old_cancelled = Q(state=Visit.State.CANCELLED, changed_at__lt=start_of(today - CANCELLED_FOR))
    return write_visits(visits_of(person).between(start, end).exclude(old_cancelled), person=person)


def visits_of(person: User | None) -> VisitQuerySet:
    """Queryset of the visits of one technician, or of all."""
    return Visit.objects.of(person) if person is not None else Visit.objects.all()


def write_visits(visits: VisitQuerySet, *, person: User | None) -> bytes:
    """Build a calendar of visits, named after their technician or the company."""
    name = f"Visits of {person.name}" if person is not None else f"Visits, {settings.COMPANY_NAME}"
    ordered = list(visits.select_related("site").order_by("starts_at", "pk"))
    around: dict[int, _Around] = {}
    for first in range(0, len(ordered), ROWS_AT_ONCE):  # SQLite reads no list of ten thousand keys
        around |= _around([visit.pk for visit in ordered[first : first + ROWS_AT_ONCE]])
    events = [_event(visit, around[visit.pk]) for visit in ordered]
    return build_calendar(name, events, color=VISITS_COLOR)


@dataclass
class _Around:
    """Technicians of a visit, its tasks in words, and when any of these last changed."""

    names: list[str] = field(default_factory=list)
    dangers: list[str] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    changed: list[datetime] = field(default_factory=list)


def _around(visits: Sequence[int]) -> dict[int, _Around]:
    """Read technicians, tasks and change times of visits as plain values, faster than model instances."""
    by_visit = {pk: _Around() for pk in visits}
    going = Visit.technicians.through.objects.filter(visit__in=visits).order_by("user__name", "user_id")
    for visit, name in going.values_list("visit", "user__name"):
        by_visit[visit].names.append(name)
    dangers = set(MaintenanceTask.objects.making_safe().values_list("pk", flat=True))
    taken = VisitTask.objects.filter(visit__in=visits).danger_first()
    columns = ("visit", "task", "task__unit__code", "task__reason", "task__changed_at")
    for visit, task, unit, reason, changed_at in taken.values_list(*columns):
        line = f"{unit}: {reason}" if unit else reason
        by_visit[visit].lines.append(line)
        if task in dangers:
            by_visit[visit].dangers.append(by_visit[visit].lines.pop())
        by_visit[visit].changed.append(changed_at)
    return by_visit


def due_feed(*, at: datetime, most: int = MOST_DUE_ENTRIES) -> bytes:
    """Build the feed of our maintenance due and not planned: all-day entries, one for each site and day.

    Beyond ``most`` entries the calendar ends with one that says so, as no calendar shows a hundred thousand.
    """
    today = timezone.localdate(at)
    due = (
        NextDue.objects.ours()
        .filter(next_due_on__gte=today - BACK, next_due_on__lt=today + AHEAD)
        .exclude(tasks__state="in-process")
        .select_related("rule", "installed_part__unit__site")
        .order_by(
            "next_due_on", "installed_part__unit__site_id", "installed_part__unit__code", "rule__name", "pk"
        )
    )
    entries: list[DueEvent] = []
    for (day, site), rows in groupby(
        due.iterator(chunk_size=2000), key=lambda row: (row.next_due_on, row.installed_part.unit.site)
    ):
        if len(entries) == most:
            entries.append(_more_from(day))
            break
        entries.append(_due_entry(site, day, list(rows)))
    return build_calendar(f"Maintenance due, {settings.COMPANY_NAME}", entries, color=DUE_COLOR)


def todo_feed(*, at: datetime, most: int = MOST_DUE_ENTRIES) -> bytes:
    """Build the feed of tasks as to-dos: open ones, and those done or cancelled in the last thirty days.

    Closed tasks that were due more than a year ago are not read: a feed that is polled every few minutes must
    not scan the whole history.
    """
    today = timezone.localdate(at)
    lately = start_of(today - BACK)
    kinds = (
        Q(state__in=MaintenanceTask.OPEN, due_on__lt=today + AHEAD),
        Q(state__in=MaintenanceTask.OPEN, due_on__gte=today + AHEAD, changed_at__gte=lately),
        Q(state__in=OVER, due_on__gte=today - OVERDUE_FOR, changed_at__gte=lately),
    )
    rows: list[MaintenanceTask] = []
    for which in kinds:  # one after the other, for the index of states and days
        matching = MaintenanceTask.objects.filter(which).select_related("site", "unit")
        rows += matching.order_by("priority", "due_on", "pk")[:most]
    tasks = sorted(rows, key=lambda task: (task.priority, task.due_on, task.pk))[:most]
    name = f"Work to do, {settings.COMPANY_NAME}"
    return build_calendar(name, [_todo(task) for task in tasks], color=DUE_COLOR)


def _todo(task: MaintenanceTask) -> Todo:
    done = task.state == MaintenanceTask.State.COMPLETED and task.done_on is not None
    return Todo(
        uid=uuid5(TASK_ENTRIES, str(task.pk)),
        due_on=task.due_on,
        status=task.state.upper(),  # type: ignore[arg-type]  # the states are those of RFC 5545
        sequence=0,
        changed_at=task.changed_at,
        completed_at=start_of(task.done_on) if done and task.done_on else None,
        priority=task.priority,
        summary=(MAKE_SAFE if task.makes_safe else "")
        + (f"{task.unit}: {task.reason}" if task.unit else task.reason),
        place=task.site.address_line,
        url=settings.SITE_URL + task.get_absolute_url(),
    )


def version_of_visits(person: User | None, *, at: datetime) -> str:
    """Version of the records that a visits feed shows, as a hash, without building the feed.

    Counts and sums detect what the latest change time alone would miss: a deleted row, or one written by a
    transaction that began earlier and committed later.
    """
    today = timezone.localdate(at)
    start, end = start_of(today - BACK), start_of(today + AHEAD)
    visits = visits_of(person).between(start, end).order_by()
    totals = visits.aggregate(
        number=Count("pk"), sequences=Sum("sequence"), changed=Max("changed_at"), last=Max("pk")
    )
    taken = VisitTask.objects.filter(visit__in=visits.values("pk"))
    of_tasks = taken.aggregate(number=Count("pk"), changed=Max("task__changed_at"), last=Max("pk"))
    sent = Visit.technicians.through.objects.filter(visit__in=visits.values("pk"))
    around = {
        "accounts.user": sent.values("user"),
        "units.site": visits.values("site"),
        "units.unit": taken.filter(task__unit__isnull=False).values("task__unit"),
    }
    of_around = [_history_of(subject, keys) for subject, keys in around.items()]
    whose = person.pk if person else 0
    said = repr((whose, today, settings.COMPANY_NAME, settings.SITE_URL, totals, of_tasks, of_around))
    return sha256(said.encode()).hexdigest()


def _history_of(subject: str, keys: QuerySet[Any]) -> dict[str, int | None]:
    """Last key and number of the history rows of some records, read by their index only."""
    history = Change.objects.filter(subject=subject, subject_id__in=keys)
    return history.aggregate(last=Max("pk"), number=Count("pk"))


def visit_event(visit: Visit, *, for_customer: str) -> VisitEvent:
    """Event of a visit for its customer's calendar; the URL leads to the customer's own page."""
    return replace(
        _event(visit, _around([visit.pk])[visit.pk]),
        summary=f"{settings.COMPANY_NAME}: porch windows",
        description=f"It does not suit any more? {for_customer}",
        url=for_customer,
    )


def _event(visit: Visit, around: _Around) -> VisitEvent:
    """Event of a visit for the company's calendars: where, when, who and what; no telephone, no gate code."""
    people = " and ".join(around.names) or "nobody named yet"
    number = len(around.dangers) + len(around.lines)
    place = visit.place or visit.site.address_line
    title = f"{place}: {count(number, 'task')}" if number else place
    changed = max([visit.changed_at, *around.changed])
    return VisitEvent(
        uid=visit.uid,
        starts_at=visit.starts_at,
        ends_at=visit.ends_at,
        status=visit.state.upper(),  # type: ignore[arg-type]  # the states are those of RFC 5545
        sequence=visit.sequence,
        created_at=visit.created_at,
        changed_at=changed,
        summary=f"{MAKE_SAFE}{title}" if around.dangers and visit.is_open else title,
        place=place,
        latitude=visit.site.latitude,
        longitude=visit.site.longitude,
        description="\n".join(
            [*(MAKE_SAFE + line for line in around.dangers), f"Technicians: {people}", *around.lines]
        ),
        url=settings.SITE_URL + reverse("schedules:visit", args=[visit.pk]),
    )


def _due_entry(site: Site, day: date, rows: Iterable[NextDue]) -> DueEvent:
    """All-day entry of the maintenance due at a site on a day; its UID changes with its text."""
    rows = list(rows)
    minutes = sum(row.rule.minutes for row in rows)
    summary = f"Maintenance due at {site.address_line}: {count(len(rows), 'task')}, {span(minutes)}"
    description = "\n".join(
        f"{row.installed_part.unit}: "
        + maintenance_reason(row.rule.name, panel=row.installed_part.panel, last_done_on=row.last_done_on)
        for row in rows
    )
    counted = max(row.counted_from for row in rows)
    return DueEvent(
        uid=uuid5(DUE_ENTRIES, f"{site.pk}\n{day}\n{summary}\n{description}"),
        due_on=day,
        sequence=0,
        changed_at=datetime.combine(counted, time.min, tzinfo=UTC),
        summary=summary,
        place=site.address_line,
        description=description,
        url=f"{settings.SITE_URL}{reverse('schedules:plan_visit')}?site={site.pk}",
    )


def _more_from(day: date) -> DueEvent:
    """Last entry of a feed that was cut off: more is due from this day on."""
    return DueEvent(
        uid=uuid5(DUE_ENTRIES, f"more\n{day}"),
        due_on=day,
        sequence=0,
        changed_at=datetime.combine(day - AHEAD - BACK, time.min, tzinfo=UTC),
        summary="More maintenance is due from here on than fits into this calendar",
        description="The list of work to schedule shows all of it.",
        url=settings.SITE_URL + reverse("schedules:tasks"),
    )
