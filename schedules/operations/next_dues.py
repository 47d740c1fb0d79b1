"""Operations on next dues: put parts under the rules of their types, record maintenance done."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import islice

from django.db.models import Max, Min
from django.utils import timezone

from schedules.maintenance.due_dates import DueDateCalculator, add_missing_dues
from schedules.models import ClockMark, MaintenanceRule, MaintenanceTask, NextDue
from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import count
from units.models import InstalledPart, Unit

from .runs import note_run
from .tasks import finish_task

PLAN = "schedules.plan_next_dues"
OVERLAP = timedelta(minutes=15)
UNITS_AT_ONCE = 500  # bulk work commits often, so that other writers do not wait
ROWS_AT_ONCE = 500

MaintenanceRow = tuple[int, int | None, str, date]
"""A unit, one of its parts (None: any of them), the kind of work, and the day it was done."""


def last_planned() -> datetime | None:
    """Moment from which on recorded parts may lack next dues; None where that is unknown.

    A part may be stored a little later than the moment it carries, hence the overlap. A mark in the future
    was left before the machine's clock was put back, and says nothing of the parts recorded since.
    """
    mark = ClockMark.objects.filter(task=PLAN, ran_at__lte=timezone.now()).first()
    return mark.ran_at - OVERLAP if mark else None


def plan_next_dues(since: datetime | None = None, *, at: datetime | None = None) -> int:
    """Insert the missing next dues of every part in place under every active rule; return how many.

    With ``since`` only parts recorded from that moment on are read, and rules that never were planned.
    A part counts from the day it was fitted until maintenance is recorded.
    """
    at = at or timezone.now()
    new_rules = list(
        MaintenanceRule.objects.active().filter(planned_at__isnull=True).values_list("pk", flat=True)
    )
    if since is None:
        made = _plan_everything([])
    else:
        recent = InstalledPart.objects.in_place().filter(recorded_at__gte=since).order_by("recorded_at")
        # Read to the end first: on SQLite a writer with an open cursor fails once somebody else wrote.
        units = list(recent.values_list("unit_id", flat=True))
        made = plan_units(units) if units else 0
        made += _plan_everything(new_rules) if new_rules else 0
    MaintenanceRule.objects.filter(pk__in=new_rules).update(planned_at=at)
    note_run(PLAN, said=f"{count(made, 'part')} came under a rule", at=at)
    return made


def plan_units(units: Iterable[int]) -> int:
    """Insert the missing next dues of the parts of some units; return how many."""
    calculator = DueDateCalculator(MaintenanceRule.objects.active())
    made = 0
    for chunk in map(sorted, map(set, _chunks(units, UNITS_AT_ONCE))):
        marks = ", ".join(["%s"] * len(chunk))
        made += add_missing_dues(calculator, which=f"f.unit_id IN ({marks})", params=chunk)
    return made


def _plan_everything(rules: Sequence[int]) -> int:
    """Insert the missing next dues of all units, in key order; with ``rules``, of these rules only."""
    ends = Unit.objects.in_place().aggregate(first=Min("pk"), last=Max("pk"))
    if ends["first"] is None:
        return 0
    which, calculator = "f.unit_id BETWEEN %s AND %s", DueDateCalculator(MaintenanceRule.objects.active())
    if rules:
        which += f" AND r.id IN ({', '.join(['%s'] * len(rules))})"
    return sum(
        add_missing_dues(calculator, which=which, params=[start, start + UNITS_AT_ONCE - 1, *rules])
        for start in range(ends["first"], ends["last"] + 1, UNITS_AT_ONCE)
    )


def note_maintenance_done(
    unit: Unit,
    *,
    work: str,
    on: date,
    installed_part: InstalledPart | None = None,
    by: User | None,
    at: datetime,
) -> int:
    """Record work on a unit as the maintenance that asks for it; return how many due dates moved.

    Work on one part satisfies the rules of that part's type that ask for such work; without
    ``installed_part`` it was done to the whole unit. A day earlier than the one on record changes nothing.
    """
    if on > timezone.localdate(at):
        raise RuleViolation({"on": ["That day is still to come: give the day on which it was done."]})
    with atomic_operation():
        moved = _note([(unit.pk, installed_part.pk if installed_part else None, work, on)], by=by, at=at)
        if moved:
            what = "; ".join(sorted({due.rule.name for due in moved}))
            write_change(unit, action=f"maintenance done on {long_date(on)}: {what}", by=by, at=at)
    return len(moved)


def note_maintenance_done_many(
    rows: Iterable[MaintenanceRow], *, by: User | None = None, at: datetime | None = None
) -> int:
    """Record maintenance done by older records, in any order; return how many due dates moved.

    Each chunk of rows is stored by itself; the same rows again change nothing.
    """
    at = at or timezone.now()
    moved = 0
    for chunk in _chunks(rows, ROWS_AT_ONCE):
        with atomic_operation():
            moved += len(_note(chunk, by=by, at=at))
    return moved


def _note(rows: Sequence[MaintenanceRow], *, by: User | None, at: datetime) -> list[NextDue]:
    """Move the next dues of the work in some rows, and complete their open tasks."""
    units = sorted({unit for unit, _, _, _ in rows})
    plan_units(units)
    dues: defaultdict[tuple[int, str], list[NextDue]] = defaultdict(list)
    for due in NextDue.objects.locked_for(units, works={work for _, _, work, _ in rows}):
        dues[due.installed_part.unit_id, due.rule.work].append(due)
    moved: dict[int, NextDue] = {}
    for unit, part, work, on in rows:
        for due in dues[unit, work]:
            if part in (None, due.installed_part_id) and _is_news(due, on):
                due.last_done_on = on
                due.count_from(on)
                moved[due.pk] = due
    NextDue.objects.bulk_update(
        moved.values(), ["counted_from", "last_done_on", "next_due_on"], batch_size=200
    )
    _end_tasks(moved, by=by, at=at)
    return list(moved.values())


def _is_news(due: NextDue, on: date) -> bool:
    """Whether a day is later than the last one on record, and the part was in place on it."""
    return on >= due.installed_part.fitted_on and (due.last_done_on is None or on > due.last_done_on)


def _end_tasks(moved: dict[int, NextDue], *, by: User | None, at: datetime) -> None:
    """Complete the open tasks whose maintenance was done, on a visit or not."""
    for task in MaintenanceTask.objects.open().locked().filter(next_due__in=list(moved)):
        due = moved[task.next_due_id or 0]
        if due.last_done_on is not None and due.next_due_on > task.due_on:
            finish_task(task, on=due.last_done_on, action="done with other work", by=by, at=at)


def _chunks(rows: Iterable[MaintenanceRow] | Iterable[int], size: int) -> Iterator[list]:
    iterator = iter(rows)
    while chunk := list(islice(iterator, size)):
        yield chunk
