"""Records of maintenance rules, read once for any number of rules."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from django.db.models import Avg, Count

from schedules.models import MaintenanceRule, NextDue
from schedules.models.maintenance import WorkKind
from servicedesk.calls.models import Work
from servicedesk.reports.histories import Flags, Histories, Ints
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.queries.maintenance import read_maintenance
from servicedesk.reports.questions.selection import Selection
from units.models import Site

REPAIRS: Final = (WorkKind.ADJUSTED, WorkKind.REPAIRED, WorkKind.REPLACED)


@dataclass(frozen=True, kw_only=True)
class RuleRecords:
    """Records of one maintenance rule.

    Attributes
    ----------
    everything, between_visits
        Lifetimes of the rule's type with all their failures, and with those that were not first seen on a
        maintenance visit.
    maintenance_item, maintenance_age
        Part and its age in days at each maintenance; parts of other types may be among them.
    maintenance_own
        Whether it was done on its own, and not with the repair of a failure.
    minutes
        Mean minutes of a repair of a part of the type, None where none were recorded.
    parts
        Parts in place under the rule that we maintain.
    """

    everything: Histories
    between_visits: Histories
    maintenance_item: Ints
    maintenance_age: Ints
    maintenance_own: Flags
    minutes: float | None
    parts: int


class MaintenanceRecords:
    """Records of some maintenance rules (at least one), read by a fixed number of queries."""

    def __init__(
        self, selection: Selection, rules: Iterable[MaintenanceRule], *, histories: Histories | None = None
    ) -> None:
        """Read the records of all rules; the types of part of the selection are those of the rules.

        ``histories`` of all types of the selection, by type, may have been read before.
        """
        types: defaultdict[str, set[int]] = defaultdict(set)
        self._rules = list(rules)
        for rule in self._rules:
            types[rule.work].add(rule.component_type_id)
        every_type = sorted(set().union(*types.values()))
        chosen = selection.only("component", *every_type)
        self._everything = read_histories(chosen, by="component") if histories is None else histories
        self._between_visits = read_histories(
            chosen, by="component", between_visits=True, spans_of=self._everything
        )
        self._maintenance = {
            work: read_maintenance(selection.only("component", *sorted(type_ids)), work=work)
            for work, type_ids in types.items()
        }
        self._minutes = _minutes_of_repairs(every_type, selection)
        self._parts = _parts_in_our_maintenance(self._rules)

    def of(self, rule: MaintenanceRule) -> RuleRecords:
        """Records of one of the rules."""
        item, age, own = self._maintenance[rule.work]
        return RuleRecords(
            everything=self._everything.of_keys([rule.component_type_id]),
            between_visits=self._between_visits.of_keys([rule.component_type_id]),
            maintenance_item=item,
            maintenance_age=age,
            maintenance_own=own,
            minutes=self._minutes.get(rule.component_type_id),
            parts=self._parts.get(rule.pk, 0),
        )


def _minutes_of_repairs(types: Iterable[int], selection: Selection) -> dict[int, float]:
    """Mean minutes of a repair by type of part, for types with any recorded."""
    means = (
        Work.objects.filter(
            installed_part__component_type__in=types,
            kind__in=REPAIRS,
            done_on__lte=selection.as_of,
            minutes__gt=0,
        )
        .values("installed_part__component_type")
        .annotate(mean=Avg("minutes"))
        .order_by()
    )
    return dict(means.values_list("installed_part__component_type", "mean"))


def _parts_in_our_maintenance(rules: Iterable[MaintenanceRule]) -> dict[int, int]:
    """Number of parts in place under each rule that we maintain."""
    counts = (
        NextDue.objects.filter(
            rule__in=rules,
            installed_part__removed_on__isnull=True,
            installed_part__unit__site__care_by=Site.CareBy.US,
        )
        .values("rule")
        .annotate(parts=Count("pk"))
        .order_by()
    )
    return dict(counts.values_list("rule", "parts"))
