"""Maintenance interval of the least cost, and whether it clearly differs from the usual one.

This module imports no Django.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from servicedesk.core.values.words import counted
from servicedesk.reports.curves.life_fits import Limits
from servicedesk.reports.curves.shown_ages import shown_ages
from servicedesk.reports.maintenance.reading import SinceMaintenance
from servicedesk.reports.maintenance.since_maintenance import MONTH, MaintenanceRows
from servicedesk.reports.numerics.counts.rates import event_rate
from servicedesk.reports.numerics.prediction.policy import Policy, inspection, minimal_repair
from servicedesk.reports.questions.judgements import (
    CURVE_ITEMS,
    CURVE_SITES,
    DAYS_PER_YEAR,
    FIT_CURVE_FAILURES,
)
from servicedesk.reports.words import amount

LONGEST: Final = 240
"""Longest interval of a rule in months."""


@dataclass(frozen=True, kw_only=True)
class Costs:
    """Costs of maintaining one part once, and of one failure or of a year with a hidden defect.

    ``given`` is true where the owner gave them; else they are minutes of work from the records. ``replacing``
    is the cost of replacing a part before it fails, where the owner gave it.
    """

    maintenance: float
    failure: float
    given: bool
    replacing: float | None = None


@dataclass(frozen=True, kw_only=True)
class Interval:
    """Interval of the least cost, or the reason why the records show none.

    Attributes
    ----------
    best
        In months, with the range within 5 % of its cost.
    at_limits
        In months, at both limits of the shape (of the rate, for hidden defects).
    clear
        Whether the usual interval is outside that range, and on the same side of it at both limits too.
    now, least
        Cost of a part a year at the usual interval and at the best one.
    reason
        Reason for none.
    """

    best: Limits | None = None
    at_limits: tuple[float, float] | None = None
    clear: bool = False
    now: float | None = None
    least: float | None = None
    reason: str = ""


def best_interval(rows: MaintenanceRows, since: SinceMaintenance, costs: Costs, *, usual: int) -> Interval:
    """Interval of the least cost for preventive maintenance, under minimal repair.

    Parameters
    ----------
    rows, since
        Lifetimes by time since maintenance, and their reading.
    costs
        Of maintaining one part once, and of one failure.
    usual
        The rule's interval in months.
    """
    if not since.faster or since.shape is None:
        return Interval(reason=since.reason)
    if costs.failure <= costs.maintenance:
        return Interval(reason="a failure costs no more than the maintenance that prevents it")
    policies = [_policy(rows, shape, costs) for shape in since.shape]
    best = policies[0]
    seen = shown_ages(
        rows.start, rows.stop, rows.site, to_start=CURVE_ITEMS, to_go_on=CURVE_ITEMS, sites=CURVE_SITES
    )
    if seen is None or best.interval > seen.stop:
        longest = amount((seen.stop if seen else 0.0) / MONTH)
        return Interval(
            reason=(
                f"the best interval would be longer than the {longest} months that parts went without "
                "maintenance "
                "so far; it can be told once enough went longer"
            )
        )
    ours = usual * MONTH
    return Interval(
        best=_months(best),
        at_limits=_at_limits(policies),
        clear=_outside(policies, ours),
        now=DAYS_PER_YEAR * _cost(rows, since.shape[0], costs, interval=ours),
        least=DAYS_PER_YEAR * best.cost_rate,
    )


def inspection_interval(costs: Costs, *, events: int, days: float, usual: int) -> Interval:
    """Interval of the least cost for inspections for hidden defects.

    Parameters
    ----------
    costs
        Of one inspection, and of a year with a hidden defect.
    events, days
        Failures, and days at risk.
    usual
        The rule's interval in months.
    """
    if events < FIT_CURVE_FAILURES:
        return Interval(reason=f"{counted(events, 'failure')}; it takes {FIT_CURVE_FAILURES}")
    if not costs.given:
        return Interval(reason="say what one inspection and a year with a hidden defect cost you")
    hidden, rate = costs.failure / DAYS_PER_YEAR, event_rate(events, 1)
    policies = [
        inspection(number / days, costs.maintenance, hidden) for number in (events, rate.low, rate.high)
    ]
    best = policies[0]
    if best.interval / MONTH > LONGEST:
        return Interval(reason=f"the best interval would be longer than {LONGEST} months")
    ours = usual * MONTH
    return Interval(
        best=_months(best),
        at_limits=_at_limits(policies),
        clear=_outside(policies, ours),
        now=DAYS_PER_YEAR * (costs.maintenance / ours + events / days * hidden * ours / 2),
        least=DAYS_PER_YEAR * best.cost_rate,
    )


def _at_limits(policies: list[Policy]) -> tuple[float, float]:
    """Intervals in months of all policies but the first, in ascending order."""
    shortest, longest = sorted(policy.interval / MONTH for policy in policies[1:])
    return shortest, longest


def _outside(policies: list[Policy], interval: float) -> bool:
    """Whether an interval is too short by all policies, or too long by all of them."""
    too_short = all(interval < each.shortest for each in policies)
    return too_short or all(interval > each.longest for each in policies)


def _policy(rows: MaintenanceRows, shape: float, costs: Costs) -> Policy:
    """Optimal policy in days at a shape, with the rate that gives the observed number of failures."""
    longest = float(rows.stop.max())
    optimum = minimal_repair(shape, _rate(rows, shape), costs.maintenance, costs.failure)
    return Policy(
        interval=optimum.interval * longest,
        cost_rate=optimum.cost_rate / longest,
        shortest=optimum.shortest * longest,
        longest=optimum.longest * longest,
    )


def _rate(rows: MaintenanceRows, shape: float) -> float:
    """Failures expected of a part by the longest time since maintenance in the rows, at a shape."""
    longest = float(rows.stop.max())
    run = float(((rows.stop / longest) ** shape - (rows.start / longest) ** shape).sum())
    return float(rows.event.sum()) / run


def _cost(rows: MaintenanceRows, shape: float, costs: Costs, *, interval: float) -> float:
    """Cost of a part a day at an interval in days."""
    failures = _rate(rows, shape) * (interval / float(rows.stop.max())) ** shape
    return (costs.maintenance + costs.failure * failures) / interval


def _months(policy: Policy) -> Limits:
    return policy.interval / MONTH, policy.shortest / MONTH, policy.longest / MONTH
