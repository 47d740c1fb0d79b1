"""Next due dates of imported maintenance: moved by an import, and moved back by its reverting."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from datetime import date
from typing import NamedTuple

from django.db import IntegrityError, connection
from django.db.models import F, Max, Q, QuerySet

from schedules.maintenance.due_dates import DueDateCalculator
from schedules.models import MaintenanceRule, MaintenanceTask, NextDue
from schedules.operations.tasks import finish_task
from servicedesk.calls.models import Work
from servicedesk.core.models import Batch
from servicedesk.imports.applying.ahead import read_ahead
from servicedesk.imports.applying.bulk import Insert
from servicedesk.imports.leases import CHUNK_ROWS, PAGES_A_READING, Lease
from servicedesk.imports.staging.rows import Progress
from units.models import InstalledPart, Unit

UNITS_AT_ONCE = 200 * PAGES_A_READING

UPDATE = "UPDATE schedules_nextdue SET counted_from = %s, last_done_on = %s, next_due_on = %s WHERE id = %s"

WorkDays = dict[tuple[int, str], list[tuple[int | None, date]]]
"""Imported maintenance, by unit and kind of work: on which part (None: any of them) and when."""


class _Part(NamedTuple):
    """Part in place."""

    pk: int
    unit_id: int
    type_id: int
    fitted_on: date


class _NewDue(NamedTuple):
    """Part that comes under a maintenance rule."""

    installed_part_id: int
    rule_id: int
    counted_from: date
    last_done_on: date | None
    next_due_on: date


class _MovedDue(NamedTuple):
    """Due date that imported maintenance moves."""

    counted_from: date
    last_done_on: date
    next_due_on: date
    pk: int


class _Chunk(NamedTuple):
    """Units with their parts, the imported maintenance, and the due dates that they get."""

    units: Sequence[int]
    parts: Sequence[_Part]
    maintenance_done: WorkDays
    new: Sequence[_NewDue]


class MaintenanceWriter:
    """Writer of next due dates for the parts of a batch's units, counting the maintenance in its history.

    It does for a whole fleet what `plan_next_dues` and `note_maintenance_done_many` of `schedules.operations`
    do, in small chunks: a fleet of 100,000 units has millions of due dates.
    """

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        rules = list(MaintenanceRule.objects.active().for_every_part())
        self.calculator = DueDateCalculator(rules)
        self.rules_of: defaultdict[int, list[MaintenanceRule]] = defaultdict(list)
        for rule in rules:
            self.rules_of[rule.component_type_id].append(rule)
        self._first = Insert(NextDue, *_NewDue._fields)
        self._again = Insert(NextDue, *_NewDue._fields, on_conflict="ON CONFLICT DO NOTHING")

    def write(self, lease: Lease, progress: Progress) -> None:
        """Write the due dates of the units that a batch imported."""
        units = Unit.objects.filter(batch=self.batch).order_by("pk")
        total, after = units.count(), lease.batch.cursor
        done = units.filter(pk__lte=after).count()
        with closing(read_ahead(self._pages(units, after=after))) as pages:
            for page, chunks in pages:
                for chunk in chunks:
                    self._write_chunk(lease, *chunk)
                done += len(page)
                lease.note(cursor=page[-1], work_done=done, work_total=total)
                progress(Batch.Step.MAINTENANCE.label, done, total)

    def write_elsewhere(self, lease: Lease, progress: Progress) -> None:
        """Write the due dates of units that were in the register before, from the batch's history."""
        works = Work.objects.filter(batch=self.batch).exclude(unit__batch=self.batch).order_by("pk")
        after = lease.batch.cursor
        while page := list(works.filter(pk__gt=after).values_list("pk", "unit_id")[:UNITS_AT_ONCE]):
            for chunk in self._prepare(sorted({unit for _, unit in page})):
                self._write_chunk_again(lease, *chunk)
            after = page[-1][0]
            lease.note(cursor=after)
            progress(Batch.Step.OTHERS.label, 0, 1)
        progress(Batch.Step.OTHERS.label, 1, 1)

    def _pages(self, units: QuerySet[Unit], *, after: int) -> Iterator[tuple[list[int], list[_Chunk]]]:
        """Pages of units after a key, with the due dates that they get."""
        while page := list(units.filter(pk__gt=after).values_list("pk", flat=True)[:UNITS_AT_ONCE]):
            yield page, list(self._prepare(page))
            after = page[-1]

    def _prepare(self, units: list[int]) -> Iterator[_Chunk]:
        """Compute the due dates of some units; writing them twice changes nothing."""
        maintenance_done, parts = self._work_days(units), self._parts(units)
        for chunk in self._chunks(units, parts):
            of_chunk = [part for unit in chunk for part in parts[unit]]
            # In the clock's order of locks, which avoids deadlocks.
            yield _Chunk(
                chunk, of_chunk, maintenance_done, sorted(self._dues(of_chunk, maintenance_done, {})[0])
            )

    def _write_chunk(
        self,
        lease: Lease,
        units: Sequence[int],
        parts: Sequence[_Part],
        maintenance_done: WorkDays,
        new: Sequence[_NewDue],
    ) -> None:
        """Insert the due dates of new units, which as a rule have none yet."""
        try:
            with lease.chunk():
                self._first.write(new)
        except IntegrityError:  # from the clock, or from before this import was interrupted
            self._write_chunk_again(lease, units, parts, maintenance_done, new)

    def _write_chunk_again(
        self,
        lease: Lease,
        units: Sequence[int],
        parts: Sequence[_Part],
        maintenance_done: WorkDays,
        new: Sequence[_NewDue],
    ) -> None:
        """Insert the due dates that are missing, move the others, and close the open tasks that were done.

        The clock may put the same parts under the same rules at the same moment: the insertion waits for
        what it stored first and leaves it alone, and the imported maintenance moves it afterward.
        """
        with lease.chunk():
            if self._again.write(new) == len(new):
                return
            _, moved = self._dues(parts, maintenance_done, self._known(units))
            if moved:
                self._move(moved)

    def _chunks(self, units: Sequence[int], parts: dict[int, list[_Part]]) -> Iterator[list[int]]:
        """Split units into lists whose parts have no more due dates than a chunk may write."""
        chunk: list[int] = []
        size = 1
        for unit in units:
            more = sum(len(self.rules_of[part.type_id]) for part in parts[unit])
            if chunk and size + more > CHUNK_ROWS:
                yield chunk
                chunk, size = [], 1
            chunk.append(unit)
            size += more
        yield chunk

    def _parts(self, units: Sequence[int]) -> defaultdict[int, list[_Part]]:
        """Parts in place that are under any maintenance rule."""
        parts: defaultdict[int, list[_Part]] = defaultdict(list)
        fitted = InstalledPart.objects.in_place().filter(unit__in=units).order_by("pk")
        columns = ("pk", "unit_id", "component_type_id", "fitted_on")
        for pk, unit, type_id, fitted_on in fitted.values_list(*columns):
            if type_id in self.rules_of:
                parts[unit].append(_Part(pk, unit, type_id, fitted_on))
        return parts

    def _dues(
        self, parts: Iterable[_Part], maintenance_done: WorkDays, existing: Mapping[tuple[int, int], NextDue]
    ) -> tuple[list[_NewDue], list[_MovedDue]]:
        """Compute the due dates that are missing, and those that the imported maintenance moves."""
        new: list[_NewDue] = []
        moved: list[_MovedDue] = []
        for part, unit, type_id, fitted_on in parts:
            for rule in self.rules_of[type_id]:
                days = [on for at, on in maintenance_done.get((unit, rule.work), ()) if at in (None, part)]
                last = max((on for on in days if on >= fitted_on), default=None) if days else None
                known = existing.get((part, rule.pk))
                if known is None:
                    start = last or fitted_on
                    new.append(_NewDue(part, rule.pk, start, last, self.calculator.due_on(rule.pk, start)))
                elif last is not None and (known.last_done_on is None or last > known.last_done_on):
                    start = max(known.counted_from, last)
                    due_on = self.calculator.due_on(rule.pk, start, exposed=known.exposed)
                    moved.append(_MovedDue(start, last, due_on, known.pk))
        return new, moved

    def _work_days(self, units: Sequence[int]) -> WorkDays:
        """Work days of the batch's imported maintenance."""
        maintenance_done: WorkDays = {}
        works = Work.objects.filter(unit__in=units, whole_set=False)
        columns = ("unit_id", "installed_part_id", "kind", "done_on", "batch_id")
        for unit, part, kind, on, made_by in works.values_list(*columns):
            if made_by == self.batch.pk:
                maintenance_done.setdefault((unit, kind), []).append((part, on))
        return maintenance_done

    def _known(self, units: Sequence[int]) -> dict[tuple[int, int], NextDue]:
        """Existing due dates, with their rows locked."""
        dues = NextDue.objects.filter(installed_part__unit__in=units).select_for_update(of=("self",))
        return {(due.installed_part_id, due.rule_id): due for due in dues}

    def _move(self, moved: Sequence[_MovedDue]) -> None:
        """Update moved due dates, and close the open tasks whose maintenance was done."""
        day = connection.ops.adapt_datefield_value
        with connection.cursor() as cursor:
            cursor.executemany(UPDATE, [(*map(day, due[:3]), due.pk) for due in moved])
        by_key = {due.pk: due for due in moved}
        for task in MaintenanceTask.objects.open().filter(next_due__in=list(by_key)):
            due = by_key[task.next_due_id or 0]
            if due.next_due_on > task.due_on:
                on, at = due.last_done_on, self.batch.started_at
                finish_task(
                    task, on=on, action="done, according to imported records", by=self.batch.by, at=at
                )


def take_back_maintenance(works: Sequence[int]) -> int:
    """Move back due dates that rest on work about to be deleted, for units that stay; return how many.

    What remains counts: other recorded work, tasks that were done, else the day the part was installed.
    """
    gone = Work.objects.filter(pk__in=works, whole_set=False)
    units = gone.exclude(unit__batch=F("batch")).values_list("unit_id", flat=True).distinct()
    dues = NextDue.objects.filter(installed_part__unit__in=list(units), last_done_on__isnull=False)
    moved = []
    for due in dues.select_related("installed_part", "rule"):
        if due.last_done_on is None or not gone.filter(_satisfies(due), done_on=due.last_done_on).exists():
            continue
        due.last_done_on = _last_done_without(due, works)
        due.counted_from = due.last_done_on or due.installed_part.fitted_on
        due.count_from(due.counted_from)
        moved.append(due)
    NextDue.objects.bulk_update(moved, ["last_done_on", "counted_from", "next_due_on"], batch_size=100)
    return len(moved)


def _satisfies(due: NextDue) -> Q:
    """Condition of work that counts as the maintenance of a due date."""
    part = due.installed_part
    where = Q(installed_part=part) | Q(installed_part=None, unit=part.unit_id)
    return where & Q(kind=due.rule.work, whole_set=False, done_on__gte=part.fitted_on)


def _last_done_without(due: NextDue, works: Sequence[int]) -> date | None:
    """Last day of maintenance if some work is deleted."""
    worked = Work.objects.filter(_satisfies(due)).exclude(pk__in=works).aggregate(on=Max("done_on"))["on"]
    done = MaintenanceTask.objects.filter(next_due=due, state=MaintenanceTask.State.COMPLETED)
    tasked = done.aggregate(on=Max("done_on"))["on"]
    return max(filter(None, [worked, tasked]), default=None)
