"""Operations that write the failure log and the surveillance flags."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import isfinite
from typing import Any

from django.db import models, transaction

from servicedesk.core.rules.refusals import atomic_operation
from servicedesk.reports.models import FailureDay, LogMark, LotFlag, RiskDay, SurveyMark, ThinLot
from servicedesk.reports.queries.days import failures_by_day, items_by_day
from servicedesk.reports.surveillance.lots import WatchedGroup, survey_lots

Way = LotFlag.Way

CHUNK = 500
"""Rows written in one transaction, so that other writers do not wait long."""


@dataclass(frozen=True)
class Kept:
    """Number of days and rows of the failure log that were written."""

    days: int
    rows: int


def keep_failure_log(*, today: date, at: datetime) -> Kept:
    """Update the failure log up to a day, writing only the days that changed.

    Records that are late, changed or reverted may affect any day, and a deleted record leaves no trace. So
    the whole log is computed from the records, which takes seconds on a large fleet, and compared with what
    is stored: the log is then always what a rebuild would give.
    """
    failures = _bring_in_line(
        FailureDay, failures_by_day(today), ("on", "component_type", "mode"), "failures"
    )
    risk = _bring_in_line(RiskDay, items_by_day(today), ("on", "component_type"), "items")
    LogMark.objects.update_or_create(pk=1, defaults={"kept_until": today, "kept_at": at})
    return Kept(days=len(failures | risk), rows=sum(failures.values()) + sum(risk.values()))


def rebuild_failure_log(*, today: date, at: datetime) -> Kept:
    """Delete the failure log and rebuild it from the records."""
    LogMark.objects.all().delete()
    for model in (FailureDay, RiskDay):
        _delete(model, list(model.objects.values_list("pk", flat=True)))
    return keep_failure_log(today=today, at=at)


def _bring_in_line(
    model: type[models.Model], wanted: dict[tuple[Any, ...], int], key: Sequence[str], value: str
) -> dict[date, int]:
    """Synchronize the stored rows with the wanted ones; return the number of rows written by day."""
    names = ["on", *(f"{name}_id" for name in key[1:])]
    gone, unchanged = [], set()
    touched: dict[date, int] = {}
    for pk, number, *place in model._default_manager.values_list("pk", value, *names).iterator():
        where = tuple(place)
        if where not in wanted:
            gone.append(pk)
            touched[where[0]] = touched.get(where[0], 0) + 1
        elif wanted[where] == number:
            unchanged.add(where)
    _delete(model, gone)
    rows = []
    for where, number in wanted.items():
        if where not in unchanged:
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


@dataclass(frozen=True)
class SurveyOutcome:
    """Number of flags that are open, newly raised, and cleared by a surveillance.

    ``false_a_year`` is the expected number of false flags a year.
    """

    open: int
    raised: int
    cleared: int
    false_a_year: float


def run_surveillance(*, today: date, at: datetime) -> SurveyOutcome:
    """Run the surveillance of all lots and types, and store which flags are raised, open and cleared."""
    look = survey_lots(today)
    now = {
        (each.component_type, each.lot, way): each
        for each in look.charts
        for way, stands_out in ((Way.OVER_ALL, each.flagged), (Way.OF_LATE, each.rising))
        if stands_out
    }
    with atomic_operation():
        # First of all: of two concurrent runs, the second waits here and then sees the flags of the first.
        SurveyMark.objects.update_or_create(
            pk=1,
            defaults={
                "surveyed_on": today,
                "looked_at": at,
                "lots": sum(bool(each.lot) for each in look.charts),
                "types": sum(not each.lot for each in look.charts),
                "tested": look.tested,
                "false_a_year": look.false_a_year,
            },
        )
        open_flags = {
            (flag.component_type_id, flag.lot, flag.way): flag
            for flag in LotFlag.objects.open().select_for_update(of=("self",))
        }
        for key in open_flags.keys() - now.keys():
            open_flags[key].cleared_on = today
            open_flags[key].save(update_fields=["cleared_on"])
        for key, each in now.items():
            of_type, lot, way = key
            flag = open_flags.get(key) or LotFlag(
                component_type_id=of_type, lot=lot, way=way, raised_on=today
            )
            _take_down(flag, each)
        _note_thin_lots([each for each in look.charts if each.thin])
    return SurveyOutcome(
        open=len(now),
        raised=len(now.keys() - open_flags.keys()),
        cleared=len(open_flags.keys() - now.keys()),
        false_a_year=look.false_a_year,
    )


def _note_thin_lots(seen: Sequence[WatchedGroup]) -> None:
    """Replace the stored lots with too few failures to judge by those of this surveillance."""
    names = ("component_type_id", "lot", "events", "expected", "failed_sites", "items", "sites", "years")
    wanted = [
        ThinLot(component_type_id=each.component_type, **{name: getattr(each, name) for name in names[1:]})
        for each in seen
    ]
    facts = [tuple(getattr(each, name) for name in names) for each in wanted]
    if sorted(facts) != sorted(ThinLot.objects.values_list(*names)):
        ThinLot.objects.all().delete()
        ThinLot.objects.bulk_create(wanted, batch_size=CHUNK)


def _take_down(flag: LotFlag, seen: WatchedGroup) -> None:
    """Store the counts and test results of a flagged group."""
    for name in ("events", "expected", "failed_sites", "items", "sites", "years", "q_value"):
        setattr(flag, name, getattr(seen, name))
    flag.running, flag.limit = seen.running, seen.limit
    times, low, high = seen.times or (None, None, None)
    flag.times_low = low
    flag.times, flag.times_high = (
        each if each is not None and isfinite(each) else None for each in (times, high)
    )
    flag.full_clean()
    flag.save()
