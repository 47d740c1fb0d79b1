"""Figure of a maintenance rule: failures by time since maintenance, and the interval of the least cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite
from typing import Final, TypedDict

import numpy as np

from schedules.models import MaintenanceRule
from schedules.models.maintenance import WorkKind
from servicedesk.core.values.words import counted, every
from servicedesk.reports.curves.life_fits import Limits
from servicedesk.reports.histories import Window
from servicedesk.reports.maintenance.interval import LONGEST, Costs, best_interval, inspection_interval
from servicedesk.reports.maintenance.reading import BandRow, read_since_maintenance, visits_on
from servicedesk.reports.maintenance.records import MaintenanceRecords, RuleRecords
from servicedesk.reports.maintenance.replacing import Replacing, best_age
from servicedesk.reports.maintenance.since_maintenance import clock_from_maintenance
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.words import amount

STEP: Final = 1.5
"""Largest factor by which an interval is lengthened at once (our choice, no source)."""


class ToldCosts(TypedDict):
    """Costs of maintenance, a failure and a planned replacement given by the owner; None where not given."""

    maintenance: float | None
    failure: float | None
    replacing: float | None


@dataclass(frozen=True, kw_only=True)
class MaintenanceFigure:
    """Failures of one type by time since maintenance, and the interval of the least cost.

    Attributes
    ----------
    selection, rule
        Days and units that count, and the maintenance rule.
    bands
        Failures by band of time since maintenance.
    events
        Failures with a known time since maintenance; ``unknown_events`` and ``unknown_years`` are those
        before the first known maintenance, and ``at_maintenance`` failures were first seen on a maintenance
        visit.
    cares, with_repairs
        Number of times a part was maintained, and how many of these with a repair: the clock runs on there.
    shape
        Shape of the power law of failures by time since maintenance, within site, age and month of the year;
        above one they come faster and faster.
    best
        The interval of the least cost, in months, and the range within 5 % of its cost; None where the
        records do not show one, with ``reason``.
    at_limits
        The best interval in months at both limits of the shape (of the rate, where defects are hidden).
    clear
        Whether the rule's interval is clearly more expensive than the best one.
    now, least
        Cost of a part a year at the rule's interval and at the best one.
    parts
        Parts in place under the rule that we maintain.
    replacing
        The age at which to replace a part that has not failed.
    """

    selection: Selection
    rule: MaintenanceRule
    costs: Costs
    bands: list[BandRow]
    events: int
    at_maintenance: int
    unknown_events: int
    unknown_years: float
    cares: int
    with_repairs: int
    shape: Limits | None
    best: Limits | None
    at_limits: tuple[float, float] | None
    clear: bool
    now: float | None
    least: float | None
    parts: int
    replacing: Replacing
    reason: str

    @property
    def hidden(self) -> bool:
        """Whether the rule is an inspection for hidden defects."""
        return self.rule.work == WorkKind.CHECKED

    @property
    def better(self) -> bool:
        """Whether another interval is clearly cheaper than the rule's."""
        return self.best is not None and self.clear

    @property
    def months(self) -> int:
        """The interval to change to in whole months: the best one, or a step toward a longer one."""
        usual = self.rule.interval_months
        if self.best is None:
            return usual
        # There are no records of much longer intervals under this rule: lengthen it in steps.
        return max(1, min(round(self.best[0]), max(usual + 1, round(STEP * usual)), LONGEST))

    @property
    def saved(self) -> float | None:
        """Savings a year at the best interval, over all parts that we maintain."""
        if self.now is None or self.least is None:
            return None
        return (self.now - self.least) * self.parts


def maintenance_figure(
    selection: Selection,
    rule: MaintenanceRule,
    *,
    maintenance: float | None = None,
    failure: float | None = None,
    replacing: float | None = None,
    records: MaintenanceRecords | None = None,
) -> MaintenanceFigure:
    """Compute the figure of a maintenance rule.

    Parameters
    ----------
    selection
        Days, units and failures that count; its type of part is the rule's.
    rule
        The maintenance rule.
    maintenance, failure
        Cost of maintaining one part once, and of one failure (for an inspection rule: of a year with a hidden
        defect); both or none.
    replacing
        Cost of replacing one part before it fails.
    records
        Records of this rule and others with the same selection; by default they are read.
    """
    chosen = selection.only("component", rule.component_type_id)
    window = Window(chosen.after.toordinal() if chosen.after else 0, chosen.last.toordinal())
    of_rule = (records or MaintenanceRecords(selection, [rule])).of(rule)
    everything, own = of_rule.everything, of_rule.maintenance_own
    item, age = of_rule.maintenance_item[own], of_rule.maintenance_age[own]
    rows, unknown, missed = clock_from_maintenance(
        of_rule.between_visits, window, maintenance_item=item, maintenance_age=age
    )
    spans = everything.counting_rows(window)
    whole, events = int(spans.event.sum()), int(rows.event.sum())
    costs = replace(_costs(rule, of_rule, maintenance=maintenance, failure=failure), replacing=replacing)
    since = read_since_maintenance(rows, visits_on(everything, item=item, age=age))
    if rule.work == WorkKind.CHECKED:
        days = float((spans.stop - spans.start).sum())
        interval = inspection_interval(costs, events=whole, days=days, usual=rule.interval_months)
    else:
        interval = best_interval(rows, since, costs, usual=rule.interval_months)
    mine = np.isin(of_rule.maintenance_item, everything.item)
    return MaintenanceFigure(
        selection=chosen,
        rule=rule,
        costs=costs,
        bands=since.bands,
        events=events,
        at_maintenance=whole - events - missed,
        unknown_events=missed,
        unknown_years=unknown / DAYS_PER_YEAR,
        cares=int(mine.sum()),
        with_repairs=int((mine & ~own).sum()),
        shape=None if rule.work == WorkKind.CHECKED else since.shape,
        best=interval.best,
        at_limits=interval.at_limits,
        clear=interval.clear,
        now=interval.now,
        least=interval.least,
        parts=of_rule.parts,
        replacing=best_age(everything.first_failures(window), planned=costs.replacing, failure=costs.failure),
        reason=interval.reason,
    )


def _costs(
    rule: MaintenanceRule, records: RuleRecords, *, maintenance: float | None, failure: float | None
) -> Costs:
    """Costs given by the owner, or else the minutes of the rule and the mean minutes of repairs."""
    if maintenance is not None and failure is not None:
        return Costs(maintenance=maintenance, failure=failure, given=True)
    return Costs(maintenance=float(rule.minutes), failure=float(records.minutes or rule.minutes), given=False)


def maintenance_sentence(figure: MaintenanceFigure) -> str:
    """Sentence on the best interval of a rule."""
    rule, usual = figure.rule, figure.rule.interval_months
    if figure.best is None:
        return (
            f"Our records do not show an interval better than the usual {counted(usual, 'month')}: "
            f"{figure.reason}."
        )
    best, low, high = figure.best
    way = "more often" if best < usual else "less often"
    range_ = f"anything from {amount(low)} to {amount(high)} months costs within 5 % of the least"
    if not isfinite(high):
        range_ = f"anything from {amount(low)} months on costs within 5 % of the least"
    if low <= usual <= high:
        return f"The usual interval of {counted(usual, 'month')} is as good as any: {range_}."
    if not figure.better:
        return (
            f"To {rule.name} {way} may cost less, but the records do not show it clearly: "
            f"{every(round(best), 'month')} instead of {usual} by the best estimate; "
            f"{limits_words(figure)}. More failures would narrow that."
        )
    step = f", as a step {every(figure.months, 'month')}" if figure.months < round(best) else ""
    return (
        f"To {rule.name} {way} would cost least: {every(round(best), 'month')} instead of "
        f"{usual}{step}; {range_}."
    )


def limits_words(figure: MaintenanceFigure) -> str:
    """Words for the best interval at the limits of the shape or rate."""
    if figure.at_limits is None:
        return ""
    low, high = (amount(each) for each in figure.at_limits)
    return f"at the limits of the {'rate' if figure.hidden else 'shape'} {low} or {high} months"
