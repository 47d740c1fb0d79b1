"""Next dues of exposed parts: another interval, or rules that are for exposed parts only.

A rule names one exposure. With months of its own, exposed parts are maintained at that interval; without,
only exposed parts come under the rule. Whether a part is exposed follows from its unit and site as they are
recorded now, so a scan keeps the due dates in line.
"""

from __future__ import annotations

from datetime import date, datetime

from django.db import connection, transaction

from schedules.maintenance import sql
from schedules.maintenance.due_dates import ROWS_AT_ONCE, DueDateCalculator
from schedules.models import MaintenanceRule, MaintenanceTask, NextDue
from schedules.models.maintenance import Exposure
from servicedesk.core.history import write_change


def follow_exposures(*, at: datetime) -> int:
    """Update next dues to the present exposure of their parts; return how many changed."""
    rules = MaintenanceRule.objects.active().exclude(exposed_to="")
    return sum(_follow(rule, at=at) for rule in rules)


def _follow(rule: MaintenanceRule, *, at: datetime) -> int:
    condition = sql.EXPOSED[Exposure(rule.exposed_to)]
    exposed = f"CASE WHEN {condition} THEN TRUE ELSE FALSE END"
    changed = last = 0
    while rows := _ask(sql.CHANGED_EXPOSURES, exposed, [rule.pk, last]):
        last = rows[-1][0]
        changed += _turn({pk: bool(was) for pk, was in rows}, at=at)
    if rule.only_where_exposed:
        while rows := _ask(sql.EXPOSED_WITHOUT_DUE, exposed, [rule.component_type_id, rule.pk]):
            changed += _add(rule, rows)
    return changed


def _ask(statement: str, exposed: str, params: list[int]) -> list[tuple[int, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(
            statement.format(parts=sql.PARTS_WITH_PLACE, exposed=exposed, limit=ROWS_AT_ONCE), params
        )
        return list(cursor.fetchall())


def _turn(were: dict[int, bool], *, at: datetime) -> int:
    """Flip the exposure of next dues: another interval, or no longer under the rule; return how many.

    ``were`` is the exposure of each when it was read: what another scan flipped since is left as it is.
    """
    with transaction.atomic():
        rows = NextDue.objects.locked().filter(pk__in=list(were))
        dues = [due for due in rows if due.exposed == were[due.pk]]
        for due in dues:
            due.exposed = not due.exposed
        gone = [due for due in dues if due.rule.only_where_exposed and not due.exposed]
        stays = [due for due in dues if due not in gone]
        for due in stays:
            due.count_from(due.counted_from)
        NextDue.objects.bulk_update(stays, ["exposed", "next_due_on"], batch_size=200)
        _end(gone, at=at)
        NextDue.objects.filter(pk__in=[due.pk for due in gone]).delete()
    return len(dues)


def _end(gone: list[NextDue], *, at: datetime) -> None:
    """Cancel the open tasks of next dues that are no longer under their rule."""
    tasks = MaintenanceTask.objects.open().filter(next_due__in=gone)
    pks = list(tasks.values_list("pk", flat=True))
    MaintenanceTask.objects.filter(pk__in=pks).update(
        state=MaintenanceTask.State.CANCELLED, waiting_for="", waiting_until=None, changed_at=at
    )
    for pk in pks:
        write_change(
            MaintenanceTask(pk=pk), action="canceled: the part is not exposed any more", by=None, at=at
        )


def _add(rule: MaintenanceRule, rows: list[tuple[int, ...]]) -> int:
    """Insert next dues of exposed parts under a rule for exposed parts only; return how many."""
    calculator = DueDateCalculator([rule])
    dues = []
    for installed_part, fitted_on in rows:
        fitted: date = fitted_on if isinstance(fitted_on, date) else date.fromisoformat(str(fitted_on))
        due_on = calculator.due_on(rule.pk, fitted, exposed=True)
        dues.append(
            NextDue(
                installed_part_id=installed_part,
                rule=rule,
                counted_from=fitted,
                next_due_on=due_on,
                exposed=True,
            )
        )
    NextDue.objects.bulk_create(dues, ignore_conflicts=True)  # another scan may have inserted them
    return len(dues)
