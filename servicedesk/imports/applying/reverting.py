"""Revert of an import: exactly what it made is deleted, or nothing while later records depend on it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any

from django.db import IntegrityError
from django.db.models import Exists, Model, OuterRef, QuerySet

from schedules.models import MaintenanceTask, NextDue
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, ImportedEntry, Inspection, Work
from servicedesk.core.history import change_source, write_change
from servicedesk.core.models import Batch, Change
from servicedesk.core.models.changes import Source
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.words import counted
from servicedesk.imports.applying.bulk import delete_rows
from servicedesk.imports.applying.next_dues import take_back_maintenance
from servicedesk.imports.background import enqueue_resume
from servicedesk.imports.files.folders import drop_files
from servicedesk.imports.leases import CHUNK_ROWS, Lease, leased
from servicedesk.imports.staging.rows import Progress, clear_staging, key_pages, silent
from units.models import Customer, InstalledPart, ObservationPeriod, Ownership, Site, Unit

NAMED = 10
BEGUN = "to be undone: "
UNITS_AT_ONCE = 10  # with some twenty maintenance tasks each
PARTS_AT_ONCE = 50  # with at most four due dates each

# Models that an import makes, in the order in which they can be deleted, with the noun for people.
MADE: dict[type[Model], str] = {
    ImportedEntry: "history row",
    Work: "work record",
    Finding: "finding",
    Inspection: "look",
    Call: "call",
    ObservationPeriod: "period",
    InstalledPart: "part",
    Unit: "unit",
    Ownership: "ownership",
    Customer: "customer",
    Site: "site",
}


@dataclass(frozen=True)
class _Removal:
    """Records to be deleted, and what is done first with those of a chunk."""

    table: QuerySet[Any]
    first: Callable[[list[int]], object] = lambda keys: None
    deletes: bool = True
    at_once: int = CHUNK_ROWS - 1

    def remove(self, keys: list[int]) -> None:
        """Delete a chunk."""
        self.first(keys)
        if self.deletes:
            delete_rows(self.table.model, keys)


def revert(batch: Batch, *, by: User | None, at: datetime, progress: Progress = silent) -> None:
    """Delete all that a batch made; refused as a whole while later records depend on any of it."""
    with change_source(Source.IMPORT), leased(batch) as lease:
        _begin(lease, by=by, at=at)
        _take_back(lease, by=by, at=at, progress=progress)


def revert_later(batch: Batch, *, by: User | None, at: datetime) -> None:
    """Mark a batch for reverting, and queue the work."""
    with change_source(Source.IMPORT), leased(batch) as lease:
        _begin(lease, by=by, at=at)
    enqueue_resume(batch)


@dataclass(frozen=True)
class Consequences:
    """Consequences of reverting an import: what it deletes, and which later records block it."""

    made: list[str]
    total: int
    also: list[str]
    later: list[str]
    more: bool

    @classmethod
    def of(cls, batch: Batch) -> Consequences:
        """Count what reverting an import would delete, and find what blocks it."""
        counts = {noun: _made(model, batch).count() for model, noun in MADE.items()}
        units = _made(Unit, batch)
        derived = {
            "maintenance task": _untouched_tasks().filter(unit__in=units).count(),
            "date of the next maintenance": NextDue.objects.filter(installed_part__batch=batch).count(),
        }
        later = _built_upon(batch)
        return cls(
            made=[counted(number, noun) for noun, number in reversed(counts.items()) if number],
            total=sum(counts.values()),
            also=[
                counted(number, noun, "dates of the next maintenance" if "date" in noun else "")
                for noun, number in derived.items()
                if number
            ],
            later=later[:NAMED],
            more=len(later) > NAMED,
        )


def _begin(lease: Lease, *, by: User | None, at: datetime) -> None:
    """Check that a batch can be reverted, and mark it."""
    batch = lease.batch
    if batch.stage == Batch.Stage.REVERTING:
        lease.note(problem="")
        return
    if batch.stage not in (Batch.Stage.APPLIED, Batch.Stage.APPLYING):
        message = f"{str(batch).capitalize()} is {batch.get_stage_display()}: there is nothing to undo."
        raise RuleViolation(message)
    _refuse_if_built_upon(batch)
    counts = {noun: _made(model, batch).count() for model, noun in MADE.items()}
    total = sum(counts.values())
    with lease.chunk(stage=Batch.Stage.REVERTING, work_done=0, work_total=total, problem=""):
        summary = ", ".join(counted(count, noun) for noun, count in counts.items() if count)
        write_change(batch, action=f"{BEGUN}{summary or 'nothing'}", by=by, at=at)


def resume_reverting(batch: Batch, *, progress: Progress = silent) -> None:
    """Resume a revert that was interrupted."""
    with change_source(Source.IMPORT), leased(batch) as lease:
        if batch.stage != Batch.Stage.REVERTING:
            raise RuleViolation(
                f"{str(batch).capitalize()} is {batch.get_stage_display()}; it is not being undone."
            )
        if batch.problem:
            lease.note(problem="")
        begun = Change.objects.about(batch).filter(action__startswith=BEGUN).order_by("-pk")[0]
        _take_back(lease, by=begun.by, at=begun.at, progress=progress)


def _take_back(lease: Lease, *, by: User | None, at: datetime, progress: Progress) -> None:
    """Delete what a batch made, a chunk at a time, and close it."""
    batch = lease.batch
    try:
        for removal in _removals(batch):
            for keys in key_pages(removal.table, removal.at_once):
                done = batch.work_done + (len(keys) if removal.deletes else 0)
                with lease.chunk(work_done=done):
                    removal.remove(keys)
                progress("reverting", batch.work_done, batch.work_total)
    except IntegrityError as error:
        added = "; ".join(islice(_later_records(batch), NAMED)) or "they were removed again"
        message = (
            f"Records were added while the import was being undone: {added}. Delete them, then undo again."
        )
        lease.note(problem=message)
        raise RuleViolation(message) from error
    clear_staging(lease)
    with lease.chunk(stage=Batch.Stage.REVERTED, finished_at=at, problem=""):
        write_change(batch, action=f"undone: {counted(batch.work_total, 'record')} deleted", by=by, at=at)
    drop_files(batch)


def _made(model: type[Model], batch: Batch) -> QuerySet[Any]:
    return model._base_manager.filter(batch=batch)


def _removals(batch: Batch) -> Iterator[_Removal]:
    """Records to be deleted, in order; what was derived from them automatically goes first."""
    for model in MADE:
        table = _made(model, batch)
        if model is Finding:
            # Findings point at each other; the links go before the findings.
            yield _Removal(table.filter(continues__isnull=False), _unlink, deletes=False)
        if model is InstalledPart:
            units = _made(Unit, batch)
            yield _Removal(units, _delete_tasks, deletes=False, at_once=UNITS_AT_ONCE)
        if model is Work:
            yield _Removal(table, take_back_maintenance)
        elif model is InstalledPart:
            yield _Removal(table, _delete_dues, at_once=PARTS_AT_ONCE)
        else:
            yield _Removal(table)


def _delete_tasks(units: list[int]) -> None:
    """Delete the maintenance tasks of some units that nobody ever changed."""
    delete_rows(MaintenanceTask, list(_untouched_tasks().filter(unit__in=units).values_list("pk", flat=True)))


def _delete_dues(parts: list[int]) -> None:
    """Delete the due dates of some parts."""
    delete_rows(NextDue, list(NextDue.objects.filter(installed_part__in=parts).values_list("pk", flat=True)))


def _unlink(keys: list[int]) -> None:
    Finding.objects.filter(pk__in=keys).update(continues=None)


def _untouched_tasks() -> QuerySet[MaintenanceTask]:
    """Maintenance tasks that the clock created and that nobody ever changed."""
    return MaintenanceTask.objects.filter(
        ~Exists(_changes_by_people(MaintenanceTask)),
        origin=MaintenanceTask.Origin.MAINTENANCE,
        visit_tasks=None,
        works=None,
    )


def _changes_by_people(model: type[Model]) -> QuerySet[Change]:
    return Change.objects.filter(subject=model._meta.label_lower, subject_id=OuterRef("pk"), by__isnull=False)


def _refuse_if_built_upon(batch: Batch) -> None:
    """Refuse to revert while people's later records would lose what they are about."""
    sentences = _built_upon(batch)
    if sentences:
        more = " and more" if len(sentences) > NAMED else ""
        raise RuleViolation(
            f"Later records depend on {batch}: {'; '.join(sentences[:NAMED])}{more}. Nothing was undone. "
            "Delete or move those records first, or keep the import and correct it on the pages."
        )


def _built_upon(batch: Batch) -> list[str]:
    """Names of later records that depend on a batch, each once, up to one more than are shown."""
    sentences: list[str] = []
    for sentence in _later_records(batch):
        sentences += [sentence] if sentence not in sentences else []
        if len(sentences) > NAMED:
            break
    return sentences


def _later_records(batch: Batch) -> Iterator[str]:
    """Later records or changes that depend on what a batch made, by name."""
    for model in MADE:
        for relation in model._meta.related_objects:
            yield from _later_in(relation.related_model, relation.field.name, batch)
        changed = _made(model, batch).filter(Exists(_changes_by_people(model)))
        for record in changed.order_by("pk")[: NAMED + 1]:
            yield f"{_named(record)} (changed since)"


def _later_in(related: Any, field: str, batch: Batch) -> Iterator[str]:
    """Names of the records of one kind that point at what a batch made."""
    if related is NextDue:
        return
    hanging = related._base_manager.filter(**{f"{field}__batch": batch})
    if any(column.name == "batch" for column in related._meta.concrete_fields):
        hanging = hanging.exclude(batch=batch)
    if related is MaintenanceTask:
        hanging = hanging.exclude(pk__in=_untouched_tasks().filter(unit__batch=batch).values("pk"))
    if any(column.name == "unit" for column in related._meta.concrete_fields):
        hanging = hanging.select_related("unit")
    for record in hanging.order_by("pk")[: NAMED + 1]:
        yield _named(record)


def _named(record: Any) -> str:
    """Name of a record for people, with its unit where it has one."""
    unit = getattr(record, "unit", None)
    at = f" of unit {unit.code}" if isinstance(unit, Unit) else ""
    return f"{record._meta.verbose_name} “{record}”{at}"
