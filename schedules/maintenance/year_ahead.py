"""Maintenance of the next twelve months if each is done on its due day: minutes and material."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from django.db.models import Count, QuerySet
from django.db.models.functions import Greatest

from schedules.maintenance.recurrence import add_months, preview
from schedules.models import MaintenanceRule, NextDue, ServiceTime
from units.models import Site


@dataclass
class MonthAhead:
    """One month: how often maintenance falls due, its minutes, and the material it uses."""

    first: date
    times: int = 0
    minutes: float = 0.0
    materials: Counter[str] = field(default_factory=Counter)

    @property
    def hours(self) -> float:
        """Minutes in hours."""
        return self.minutes / 60

    @property
    def used(self) -> list[tuple[str, int]]:
        """Material used, by name."""
        return sorted(self.materials.items())


@dataclass(frozen=True)
class PlannedMaintenance:
    """One maintenance of one part, on its due day."""

    on: date
    unit: str
    name: str
    minutes: int


def months_ahead(dues: QuerySet[NextDue], *, today: date) -> list[MonthAhead]:
    """Sum the maintenance of twelve months, month by month; what is overdue falls into the first."""
    begin = today.replace(day=1)
    months = [MonthAhead(add_months(begin, number)) for number in range(12)]
    end = add_months(begin, 12) - timedelta(days=1)
    factors = dict(ServiceTime.objects.values_list("work", "factor"))
    rules = MaintenanceRule.objects.in_bulk()
    starting = dues.filter(next_due_on__lte=end).annotate(first=Greatest("next_due_on", today)).order_by()
    grouped = starting.values_list("rule", "first", "exposed")
    for rule_pk, first, exposed, number in grouped.annotate(number=Count("pk")):
        rule = rules[rule_pk]
        for day in _days(rule, first, exposed=exposed, until=end):
            month = months[(day.year - begin.year) * 12 + day.month - begin.month]
            month.times += number
            month.minutes += number * rule.minutes * rule.persons * factors.get(rule.work, 1.0)
            if rule.material:
                month.materials[rule.material] += number * rule.material_each
    return months


def _days(rule: MaintenanceRule, first: date, *, exposed: bool, until: date) -> list[date]:
    later = preview(first, interval_months=rule.months(exposed=exposed), season=rule.season, until=until)
    return [first, *later] if first <= until else later


def maintenance_of_year(dues: QuerySet[NextDue], *, today: date) -> list[PlannedMaintenance]:
    """List the maintenance of some parts over twelve months, day by day."""
    end = add_months(today, 12)
    rows = dues.filter(next_due_on__lte=end).select_related("rule", "installed_part__unit")
    planned = [
        PlannedMaintenance(
            on=day,
            unit=due.installed_part.unit.code,
            name=due.rule.name + (f", panel {due.installed_part.panel}" if due.installed_part.panel else ""),
            minutes=due.rule.minutes,
        )
        for due in rows
        for day in _days(due.rule, max(due.next_due_on, today), exposed=due.exposed, until=end)
    ]
    return sorted(planned, key=lambda each: (each.on, each.unit, each.name))


def total(months: Sequence[MonthAhead]) -> MonthAhead:
    """Sum of all months."""
    whole = MonthAhead(months[0].first)
    for month in months:
        whole.times += month.times
        whole.minutes += month.minutes
        whole.materials.update(month.materials)
    return whole


def our_maintenance() -> QuerySet[NextDue]:
    """Queryset of the next dues that we do."""
    return NextDue.objects.ours()


def maintenance_at(site: Site) -> QuerySet[NextDue]:
    """Queryset of the next dues of a site's parts, whoever does them."""
    return NextDue.objects.of_parts_in_place().filter(
        installed_part__unit__site=site, installed_part__unit__removed_on__isnull=True
    )
