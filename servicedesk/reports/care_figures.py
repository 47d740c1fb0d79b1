"""How often care is worth its while: failures by the time since it was last done, and the interval that costs
least."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, Final, TypedDict

import numpy as np

from schedules.models import CareRule
from schedules.models.care import WorkKind
from servicedesk.reports.care_records import CareRecords, RuleRecords
from servicedesk.reports.histories import Window
from servicedesk.reports.judgements import (
    CURVE_ITEMS,
    CURVE_SITES,
    DAYS_PER_YEAR,
    FIT_CURVE_FAILURES,
    STRATA_EVENTS,
    Judged,
    judge_rate,
)
from servicedesk.reports.life_fits import Limits
from servicedesk.reports.lifetimes.policy import Policy, inspection, minimal_repair
from servicedesk.reports.lifetimes.rates import clustered_event_rate, stratified_rate_ratio
from servicedesk.reports.lifetimes.within import WithinFit, fit_within
from servicedesk.reports.replacing import Replacing, best_age
from servicedesk.reports.selection import Selection
from servicedesk.reports.shown_ages import shown_ages
from servicedesk.reports.since_care import BANDS, MONTH, CareRows, clock_from_care
from servicedesk.reports.words import amount, counted

LONGEST: Final = 240
"""Months beyond which no rule goes."""

STEP: Final = 1.5
"""How much longer an interval may become at once (our choice, no source)."""


class ToldCosts(TypedDict):
    """What the owner says that care, a failure and replacing in time cost; None for what is left open."""

    care: float | None
    failure: float | None
    replacing: float | None


@dataclass(frozen=True, kw_only=True)
class Costs:
    """What the owner reckons with: one care of one part, one failure, or a year in which a defect hides.

    ``told`` says that the owner gave them; else they are minutes of work out of the records. ``replacing`` is
    what it costs to replace a part before it fails, where the owner said so.
    """

    care: float
    failure: float
    told: bool
    replacing: float | None = None


@dataclass(frozen=True, kw_only=True)
class BandRow:
    """Failures in one stretch of the time since care, and how much more often than soon after it.

    ``ratio`` is within site and age, with its limits; None with ``reason`` where it can't be told.
    """

    place: int
    name: str
    events: int
    items: int
    sites: int
    years: float
    judged: Judged
    ratio: Limits | None = None
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class CareFigure:
    """Failures of one type by the time since it was cared for, and the interval that costs least.

    Attributes
    ----------
    selection, rule
        Which days and units count, and the rule it is about.
    bands
        By the time since care.
    events
        Failures on that clock; ``unknown_events`` and ``unknown_years`` happened while nobody knew when the
        part was cared for last, and ``at_care`` failures were seen on a care visit and count for no call.
    shape
        How failures gather with the time since care, within site and age; above one they come faster and
        faster.
    best
        The interval that costs least, in months, and the range within 5 % of it; None where the records do
        not show one, with ``reason``.
    at_limits
        The best interval in months at both limits of the shape.
    now, least
        Cost of a part a year at the rule's interval and at the best one.
    parts
        Parts in place under the rule whose care is ours.
    replacing
        The age at which to replace a part that has not failed.
    """

    selection: Selection
    rule: CareRule
    costs: Costs
    bands: list[BandRow]
    events: int
    at_care: int
    unknown_events: int
    unknown_years: float
    shape: Limits | None
    best: Limits | None
    at_limits: tuple[float, float] | None
    now: float | None
    least: float | None
    parts: int
    replacing: Replacing
    reason: str

    @property
    def hidden(self) -> bool:
        """Whether the rule looks for defects that do not show themselves."""
        return self.rule.work == WorkKind.CHECKED

    @property
    def better(self) -> bool:
        """Whether another interval is clearly cheaper than the rule's."""
        return self.best is not None and not self.best[1] <= self.rule.interval_months <= self.best[2]

    @property
    def months(self) -> int:
        """The interval to change to in whole months: the best one, or a step towards a longer one."""
        usual = self.rule.interval_months
        if self.best is None:
            return usual
        # Nobody has seen what happens at much longer intervals under this very rule: go there in steps.
        return max(1, min(round(self.best[0]), max(usual + 1, round(STEP * usual)), LONGEST))

    @property
    def saved(self) -> float | None:
        """What the best interval saves a year over all parts that are ours to care for."""
        if self.now is None or self.least is None:
            return None
        return (self.now - self.least) * self.parts


def care_figure(
    selection: Selection,
    rule: CareRule,
    *,
    care: float | None = None,
    failure: float | None = None,
    replacing: float | None = None,
    records: CareRecords | None = None,
) -> CareFigure:
    """Work out how often the care of a rule is worth its while.

    Parameters
    ----------
    selection
        Which days, units and failures count; its type of part is the rule's.
    rule
        The care.
    care, failure
        What one care and one failure cost (for a rule that looks for hidden defects: a year in which one
        hides); both or none.
    replacing
        What it costs to replace one part before it fails.
    records
        What was read for this rule and others with the same selection; read anew where it is left out.
    """
    chosen = selection.only("component", rule.component_type_id)
    window = Window(chosen.after.toordinal() if chosen.after else 0, chosen.last.toordinal())
    told_of = (records or CareRecords(selection, [rule])).of(rule)
    everything = told_of.everything
    rows, unknown, missed = clock_from_care(
        told_of.between_visits, window, care_item=told_of.care_item, care_age=told_of.care_age
    )
    whole = int(everything.counting_rows(window).event.sum())
    events = int(rows.event.sum())
    costs = replace(_costs(rule, told_of, care=care, failure=failure), replacing=replacing)
    told: dict[str, Any] = {
        "selection": chosen,
        "rule": rule,
        "costs": costs,
        "bands": _bands(rows),
        "events": events,
        "at_care": whole - events - missed,
        "unknown_events": missed,
        "unknown_years": unknown / DAYS_PER_YEAR,
        "parts": told_of.parts,
        "replacing": best_age(
            everything.first_failures(window), planned=costs.replacing, failure=costs.failure
        ),
    }
    if rule.work == WorkKind.CHECKED:
        spans = everything.counting_rows(window)
        days = float((spans.stop - spans.start).sum())
        return CareFigure(**told, **_inspection(rule, costs, events=whole, days=days))
    return CareFigure(**told, **_interval(rows, rule, costs))


NOTHING: Final[dict[str, Any]] = {
    "shape": None,
    "best": None,
    "at_limits": None,
    "now": None,
    "least": None,
}


def _interval(rows: CareRows, rule: CareRule, costs: Costs) -> dict[str, Any]:
    """Find the interval that costs least for care that keeps failures away, or say why there is none."""
    events = int(rows.event.sum())
    if events < FIT_CURVE_FAILURES:
        few = counted(events, "failure")
        return {**NOTHING, "reason": f"{few} between care visits; it takes {FIT_CURVE_FAILURES}"}
    try:
        fit = fit_within(rows.start, rows.stop, rows.event, rows.stratum)
    except ValueError as error:
        return {**NOTHING, "reason": str(error)[:1].lower() + str(error)[1:].rstrip(".")}
    shape = (fit.shape, fit.low, fit.high)
    if fit.low <= 1:
        why = "failures do not clearly come faster the longer the care is ago"
        return {**NOTHING, "shape": shape, "reason": why}
    if costs.failure <= costs.care:
        return {**NOTHING, "shape": shape, "reason": "a failure costs no more than the care that prevents it"}
    policy = minimal_repair(fit.shape, fit.rate, costs.care, costs.failure)
    seen = shown_ages(
        rows.start, rows.stop, rows.site, to_start=CURVE_ITEMS, to_go_on=CURVE_ITEMS, sites=CURVE_SITES
    )
    if seen is None or policy.interval > seen.stop:
        longest = amount((seen.stop if seen else 0.0) / MONTH)
        why = (
            f"the best interval would be longer than the {longest} months that parts went without care so far"
        )
        return {**NOTHING, "shape": shape, "reason": why}
    return {
        "shape": shape,
        "best": _months(policy),
        "at_limits": _at_limits(rows, fit, costs),
        "now": DAYS_PER_YEAR * _cost(fit, costs, rule.interval_months * MONTH),
        "least": DAYS_PER_YEAR * policy.cost_rate,
        "reason": "",
    }


def _months(policy: Policy) -> Limits:
    return policy.interval / MONTH, policy.shortest / MONTH, policy.longest / MONTH


def _cost(fit: WithinFit, costs: Costs, interval: float) -> float:
    """Give the cost of a part a day at an interval in days."""
    return (costs.care + costs.failure * fit.rate * interval**fit.shape) / interval


def _at_limits(rows: CareRows, fit: WithinFit, costs: Costs) -> tuple[float, float]:
    """Give the best intervals in months at both limits of the shape, at as many failures as were seen."""
    found = []
    for shape in (fit.low, fit.high):
        rate = fit.events / float((rows.stop**shape - rows.start**shape).sum())
        found.append(minimal_repair(shape, rate, costs.care, costs.failure).interval / MONTH)
    return min(found), max(found)


def _inspection(rule: CareRule, costs: Costs, *, events: int, days: float) -> dict[str, Any]:
    """Find how often to look for defects that do not show themselves."""
    if events < FIT_CURVE_FAILURES:
        return {**NOTHING, "reason": f"{counted(events, 'failure')}; it takes {FIT_CURVE_FAILURES}"}
    if not costs.told:
        return {**NOTHING, "reason": "say what one look and a year with a hidden defect cost you"}
    rate, hidden = events / days, costs.failure / DAYS_PER_YEAR
    policy = inspection(rate, costs.care, hidden)
    if policy.interval / MONTH > LONGEST:
        return {**NOTHING, "reason": f"the best interval would be longer than {LONGEST} months"}
    interval = rule.interval_months * MONTH
    return {
        **NOTHING,
        "best": _months(policy),
        "now": DAYS_PER_YEAR * (costs.care / interval + rate * hidden * interval / 2),
        "least": DAYS_PER_YEAR * policy.cost_rate,
        "reason": "",
    }


def _costs(rule: CareRule, records: RuleRecords, *, care: float | None, failure: float | None) -> Costs:
    """Take the owner's costs, or else the minutes of the rule and those that repairs took on average."""
    if care is not None and failure is not None:
        return Costs(care=care, failure=failure, told=True)
    return Costs(care=float(rule.minutes), failure=float(records.minutes or rule.minutes), told=False)


def _bands(rows: CareRows) -> list[BandRow]:
    """Add up failures and time by band, and hold each band against the first within every site and age."""
    bands = rows.in_bands()
    strata = np.unique(rows.stratum)
    within = [_sums(band, band.stratum, strata) for band in bands]
    sites = np.unique(rows.site)
    found = []
    for place, band in enumerate(bands):
        events, days = _sums(band, band.site, sites)
        years, number = float(days.sum()) / DAYS_PER_YEAR, int(events.sum())
        ratio, reason = _against_first(within[0], within[place]) if place else (None, "")
        found.append(
            BandRow(
                place=place,
                name=BANDS[place],
                events=number,
                items=int(np.unique(band.item).size),
                sites=int((days > 0).sum()),
                years=years,
                judged=judge_rate(
                    number, years, sites=int((days > 0).sum()), wider=_wider(events, days, sites)
                ),
                ratio=ratio,
                reason=reason,
            )
        )
    return found


def _sums(rows: CareRows, group: Any, groups: Any) -> tuple[Any, Any]:
    """Add failures and days up by group."""
    place = np.searchsorted(groups, group)
    return (
        np.bincount(place, weights=rows.event, minlength=groups.size),
        np.bincount(place, weights=rows.stop - rows.start, minlength=groups.size),
    )


def _wider(events: Any, days: Any, sites: Any) -> tuple[float, float] | None:
    watched = days > 0
    if not watched.any():
        return None
    found = clustered_event_rate(events[watched], days[watched] / DAYS_PER_YEAR, sites[watched])
    return found.low, found.high


def _against_first(first: tuple[Any, Any], band: tuple[Any, Any]) -> tuple[Limits | None, str]:
    """Compare a band with the first, each site and age only with itself."""
    both = (first[1] > 0) & (band[1] > 0)
    number = int(first[0][both].sum() + band[0][both].sum())
    if number < STRATA_EVENTS:
        return None, f"{counted(number, 'failure')} at sites that had both; it takes {STRATA_EVENTS}"
    found = stratified_rate_ratio(band[0][both], band[1][both], first[0][both], first[1][both])
    return (found.ratio, found.low, found.high), ""


def care_sentence(figure: CareFigure) -> str:
    """Say what the records say of an interval."""
    rule, usual = figure.rule, figure.rule.interval_months
    if figure.best is None:
        return (
            f"Our records do not show an interval better than the usual {counted(usual, 'month')}: "
            f"{figure.reason}."
        )
    best, low, high = figure.best
    range_ = f"anything from {amount(low)} to {amount(high)} months costs within 5 % of the least"
    if not isfinite(high):
        range_ = f"anything from {amount(low)} months on costs within 5 % of the least"
    if not figure.better:
        return f"The usual {counted(usual, 'month')} are as good as any: {range_}."
    way = "more often" if best < usual else "less often"
    step = f", as a step every {figure.months}" if figure.months < round(best) else ""
    return (
        f"To {rule.name} {way} would cost least: every {counted(round(best), 'month')} instead of "
        f"{usual}{step}; {range_}."
    )
