"""Periodic scan of next dues: raise tasks for due maintenance, and cancel tasks no longer needed.

It works on the stored dates, by SQL alone, so that it costs the same however long ago the last scan was: a
part whose maintenance was missed three times gets one task, and after a standstill of a month one scan
catches up.
"""

from __future__ import annotations

from datetime import date, datetime

from django.db import connection, transaction
from django.db.models import Case, CharField, F, Q, QuerySet, Value, When
from django.utils import timezone
from django.utils.formats import get_format

from schedules.maintenance import sql
from schedules.maintenance.exposure import follow_exposures
from schedules.models import MaintenanceTask, Visit
from servicedesk.core.history import write_change
from servicedesk.core.values.words import count
from units.models import Site

from .next_dues import last_planned, plan_next_dues
from .runs import note_run
from .tasks import MAINTENANCE_PRIORITY

RAISE = "schedules.raise_due"
ENDED_AT_ONCE = 500

WRITTEN_AT_ONCE = 500
"""Tasks that SQLite writes before others who want to write have their turn."""


def raise_due(today: date, *, at: datetime | None = None) -> int:
    """Raise a task for all maintenance of ours that is due on a day and has none open; return how many."""
    at = at or timezone.now()
    plan_next_dues(last_planned(), at=at)
    follow_exposures(at=at)
    ended = end_needless_tasks(today, at=at)
    follow_addresses(at=at)
    raised = _insert_tasks(today, at=at)
    said = f"{count(raised, 'task')} raised"
    note_run(RAISE, said=f"{said}, {ended:,} no longer needed" if ended else said, at=at)
    return raised


def _insert_tasks(today: date, *, at: datetime) -> int:
    """Insert the tasks; one that another writer raised meanwhile is left alone.

    PostgreSQL takes one statement, beside which others go on writing. SQLite has one lock for writing: there
    the next dues are read without it, and the tasks are written in chunks.
    """
    ops = connection.ops
    stamp, day = ops.adapt_datetimefield_value(at), ops.adapt_datefield_value(today)
    with connection.cursor() as cursor:
        if connection.vendor != "sqlite":
            cursor.execute(_inserting(sql.OPEN_TASKS, **sql.WITHOUT_OPEN_TASK), [stamp, day])
            return cursor.rowcount
        of_day = sql.DUE_BY_DAY.format(**sql.WITHOUT_OPEN_TASK)
        cursor.execute(f"{sql.OPEN_TASKS} SELECT d.id {of_day} ORDER BY d.id", [day])
        due, raised = [key for (key,) in cursor.fetchall()], 0
        for begin in range(0, len(due), WRITTEN_AT_ONCE):
            chunk = due[begin : begin + WRITTEN_AT_ONCE]
            these = f"AND d.id IN ({', '.join(['%s'] * len(chunk))})"
            cursor.execute(_inserting("", beside="", only=these), [stamp, day, *chunk])
            raised += cursor.rowcount
        return raised


def _inserting(before: str, *, beside: str, only: str) -> str:
    """INSERT of a task for each due row: ``before`` is a CTE, ``beside`` a join, ``only`` a condition."""
    month_first = get_format("SHORT_DATE_FORMAT").startswith("M")
    last_done = sql.last_done_words(connection.vendor, month_first=month_first)
    select = sql.TASK_OF_DUE.format(
        reason=sql.TASK_REASON.format(last_done=last_done), priority=MAINTENANCE_PRIORITY
    )
    of_day = sql.DUE_BY_DAY.format(beside=beside, only=only)
    return f"{sql.INSERT_TASKS}{before}{select}{of_day} ON CONFLICT DO NOTHING"


def end_needless_tasks(today: date, *, at: datetime) -> int:
    """Cancel open maintenance tasks that nobody has to do any more, with the reason in their history.

    The part or unit is gone, the site is no longer maintained by us, the rule is not in force, or the due
    date moved past today. A task on a visit stays on it for the last of these reasons: somebody agreed to it.
    """
    gone = Q(installed_part__removed_on__isnull=False) | Q(unit__removed_on__isnull=False)
    not_ours = ~Q(site__care_by=Site.CareBy.US)
    no_rule = Q(next_due__rule__active=False)
    later = Q(state="needs-action", next_due__next_due_on__gt=F("due_on")) & Q(
        next_due__next_due_on__gt=today
    )
    why = Case(
        When(gone, then=Value("canceled: the part is no longer in place")),
        When(not_ours, then=Value("canceled: maintenance of this site is no longer ours")),
        When(no_rule, then=Value("canceled: its maintenance rule is no longer active")),
        default=Value("canceled: it is due later now"),
        output_field=CharField(),
    )
    needless = (
        MaintenanceTask.objects.open()
        .filter(gone | not_ours | no_rule | later, origin=MaintenanceTask.Origin.MAINTENANCE)
        .order_by("pk")
    )
    ended = 0
    while chunk := _end(needless, why=why, at=at):
        ended += chunk
    return ended


def _end(needless: QuerySet[MaintenanceTask], *, why: Case, at: datetime) -> int:
    """Cancel a chunk of tasks and write their history; keys are read before locking, to lock briefly."""
    known = list(needless.values_list("pk", flat=True)[:ENDED_AT_ONCE])
    if not known:
        return 0
    with transaction.atomic():
        locked = needless.filter(pk__in=known).select_for_update(of=("self",), no_key=True).annotate(why=why)
        ended = list(locked.values_list("pk", "why"))
        MaintenanceTask.objects.filter(pk__in=[pk for pk, _ in ended]).update(
            state=MaintenanceTask.State.CANCELLED, waiting_for="", waiting_until=None, changed_at=at
        )
        for pk, action in ended:
            write_change(MaintenanceTask(pk=pk), action=action, by=None, at=at)
    return len(ended)


def follow_addresses(*, at: datetime) -> int:
    """Update the address of planned visits from their sites, for calendars; return how many changed.

    A visit changes only where it still has the address that was read: of two scans at once one writes.
    """
    moved = 0
    for visit in Visit.objects.open().filter(ends_at__gte=at).select_related("site"):
        place = visit.site.address_line
        if visit.place == place:
            continue
        with transaction.atomic():
            same = Visit.objects.open().filter(pk=visit.pk, place=visit.place)
            if same.update(place=place, sequence=F("sequence") + 1, changed_at=at):
                write_change(visit, action="address changed with its site", by=None, at=at)
                moved += 1
    return moved
