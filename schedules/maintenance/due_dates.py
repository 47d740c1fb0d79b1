"""Next due dates in bulk: each distinct pair of rule and day is computed once, a chunk of rows at a time.

A fleet has many parts but few days on which they were fitted or maintained, so
`schedules.maintenance.recurrence` is called rarely. Rows pass in chunks: memory stays flat, and other writers
do not wait long.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from django.db import connection, transaction

from schedules.maintenance import sql
from schedules.maintenance.recurrence import Season, next_due
from schedules.models import MaintenanceRule, NextDue

ROWS_AT_ONCE = 2000


class DueDateCalculator:
    """Memoized next due dates by day, interval and season, which rules may share."""

    def __init__(self, rules: Iterable[MaintenanceRule]) -> None:
        self._rules = {rule.pk: rule for rule in rules}
        self._cycles: dict[tuple[int, bool], tuple[int, Season | None]] = {}
        self._known: dict[tuple[date, tuple[int, Season | None]], date] = {}

    def due_on(self, rule_id: int, counted_from: date, *, exposed: bool = False) -> date:
        """Next due date under a rule, counted from a day."""
        cycle = self._cycles.get((rule_id, exposed)) or self._cycle(rule_id, exposed=exposed)
        due = self._known.get((counted_from, cycle))
        if due is None:
            months, season = cycle
            due = next_due(counted_from, interval_months=months, season=season)
            self._known[counted_from, cycle] = due
        return due

    def _cycle(self, rule_id: int, *, exposed: bool) -> tuple[int, Season | None]:
        """Interval in months and season of a rule."""
        if rule_id not in self._rules:  # added while the walk was under way
            self._rules[rule_id] = MaintenanceRule.objects.get(pk=rule_id)
        rule = self._rules[rule_id]
        return self._cycles.setdefault((rule_id, exposed), (rule.months(exposed=exposed), rule.season))


def add_missing_dues(calculator: DueDateCalculator, *, which: str, params: Sequence[Any]) -> int:
    """Insert the missing next dues of parts in place under the rules of their types; return how many.

    ``which`` chooses installed parts ``f`` and rules ``r`` in SQL, with ``params`` for its placeholders.
    """
    with connection.cursor() as cursor:
        cursor.execute(sql.MISSING_DUES.format(which=which), params)
        rows = [_new_row(calculator, *row) for row in cursor.fetchall()]
        if not rows:
            return 0
        with transaction.atomic():
            cursor.executemany(sql.INSERT_DUE, rows)
        return cursor.rowcount


def _new_row(
    calculator: DueDateCalculator, installed_part: int, rule: int, fitted_on: date | str
) -> tuple[Any, ...]:
    """Row of a new next due, with dates adapted to the database."""
    fitted = fitted_on if isinstance(fitted_on, date) else date.fromisoformat(fitted_on)
    day = connection.ops.adapt_datefield_value
    return installed_part, rule, day(fitted), day(calculator.due_on(rule, fitted))


def recount_dues(rule: MaintenanceRule) -> int:
    """Recompute all due dates of a rule, each from the day it is counted from; return how many moved."""
    calculator, moved, last = DueDateCalculator([rule]), 0, 0
    while chunk := _locked_after(last, rule=rule):
        last = chunk[-1].pk
        moves = [(calculator.due_on(rule.pk, due.counted_from, exposed=due.exposed), due) for due in chunk]
        late = [
            (connection.ops.adapt_datefield_value(day), due.pk)
            for day, due in moves
            if day != due.next_due_on
        ]
        with connection.cursor() as cursor:
            cursor.executemany("UPDATE schedules_nextdue SET next_due_on = %s WHERE id = %s", late)
        moved += len(late)
    return moved


def _locked_after(pk: int, *, rule: MaintenanceRule) -> list[NextDue]:
    """Lock the next chunk of a rule's rows, so that maintenance recorded meanwhile is seen or waits."""
    rows = NextDue.objects.select_for_update(no_key=True).filter(rule=rule, pk__gt=pk).order_by("pk")
    return list(rows.only("counted_from", "next_due_on", "exposed")[:ROWS_AT_ONCE])
