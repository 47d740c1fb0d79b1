"""Keeping the fleet's failure log: the only writers of this app."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import models, transaction

from servicedesk.reports.models import FailureDay, LogMark, RiskDay
from servicedesk.reports.queries.days import failures_by_day, items_by_day

CHUNK = 500
"""Rows written in one step, so that nobody who saves something meanwhile is kept waiting."""


@dataclass(frozen=True)
class Kept:
    """How many days of the log had to be written anew, and how many rows that took."""

    days: int
    rows: int


def keep_failure_log(*, today: date, at: datetime) -> Kept:
    """Bring the failure log up to a day, writing only the days that changed.

    What was written down late, changed or taken back may touch any day, and a deleted record leaves no trace
    to look for. So the whole log is added up from the records, which takes seconds on a large fleet, and
    held against what is stored: the log is then always what rebuilding it would give.
    """
    failures = _bring_in_line(
        FailureDay, failures_by_day(today), ("on", "component_type", "mode"), "failures"
    )
    risk = _bring_in_line(RiskDay, items_by_day(today), ("on", "component_type"), "items")
    LogMark.objects.update_or_create(pk=1, defaults={"kept_until": today, "kept_at": at})
    return Kept(days=len(failures | risk), rows=sum(failures.values()) + sum(risk.values()))


def rebuild_failure_log(*, today: date, at: datetime) -> Kept:
    """Throw the failure log away and keep it anew from the records."""
    LogMark.objects.all().delete()
    for model in (FailureDay, RiskDay):
        _delete(model, list(model.objects.values_list("pk", flat=True)))
    return keep_failure_log(today=today, at=at)


def _bring_in_line(
    model: type[models.Model], wanted: dict[tuple[Any, ...], int], key: Sequence[str], value: str
) -> dict[date, int]:
    """Make the stored rows say what is wanted; answer how many rows were written of each day."""
    names = ["on", *(f"{name}_id" for name in key[1:])]
    gone, held = [], set()
    touched: dict[date, int] = {}
    for pk, number, *place in model._default_manager.values_list("pk", value, *names).iterator():
        where = tuple(place)
        if where not in wanted:
            gone.append(pk)
            touched[where[0]] = touched.get(where[0], 0) + 1
        elif wanted[where] == number:
            held.add(where)
    _delete(model, gone)
    rows = []
    for where, number in wanted.items():
        if where not in held:
            rows.append(model(**dict(zip(names, where, strict=True)), **{value: number}))
            touched[where[0]] = touched.get(where[0], 0) + 1
    for chunk in _chunks(rows):
        model._default_manager.bulk_create(
            chunk, update_conflicts=True, unique_fields=list(key), update_fields=[value]
        )
    return touched


def _delete(model: type[models.Model], keys: list[int]) -> None:
    for chunk in _chunks(keys):
        with transaction.atomic():
            model._default_manager.filter(pk__in=chunk).delete()


def _chunks(rows: list[Any]) -> Iterator[list[Any]]:
    for begin in range(0, len(rows), CHUNK):
        yield rows[begin : begin + CHUNK]
