"""Optimal maintenance policies: the replacement, renewal or inspection interval of the least cost rate."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy import special

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.survival.power_law import find_root

LARGEST_LOG = 600.0
"""An interval whose power is beyond this power of e counts as never."""

FLATTEST = 0.01
"""The mean of a Weibull lifetime of a shape below this overflows."""

FLAT = 0.05
"""Intervals that cost up to this share more than the best count as equally good, as costs are rough."""


@dataclass(frozen=True, kw_only=True)
class Policy:
    """Interval of the least cost rate, in the unit of time of the input.

    Attributes
    ----------
    interval : float
        Infinite when it costs least to wait for the failure.
    cost_rate : float
        Cost per unit of time at that interval.
    shortest, longest : float
        Between these the cost is within 5 % of the least.
    """

    interval: float
    cost_rate: float
    shortest: float
    longest: float


def age_replacement(shape: float, scale: float, planned_cost: float, failure_cost: float) -> Policy:
    """Optimal age-replacement interval of a part with a Weibull lifetime.

    Parameters
    ----------
    shape, scale : float
        Of the Weibull lifetime of the part.
    planned_cost, failure_cost : float
        Cost of replacing it before and after it failed.

    Returns
    -------
    Policy
        Waiting for the failure is best when the part does not wear out (shape one or less) or a failure costs
        no more than a planned replacement.

    Raises
    ------
    ValueError
        If a value is not above zero.

    Notes
    -----
    The cost rate ``(planned * S(t) + failure * F(t)) / integral of S`` is least where ``h(t) * integral -
    F(t) = planned / (failure - planned)``. Assumes a replacement is as good as new, and that failures show at
    once.

    References
    ----------
    .. [1] Barlow, R. E. and Hunter, L. C. (1960). Optimum preventive maintenance policies. Operations
       Research 8.
    .. [2] Barlow, R. E. and Proschan, F. (1965). Mathematical Theory of Reliability.
    """
    power, unit = columns.positive(shape, name="shape"), columns.positive(scale, name="scale")
    planned = columns.positive(planned_cost, name="planned_cost")
    failure = columns.positive(failure_cost, name="failure_cost")
    if power < FLATTEST:
        raise ValueError(f"shape is too close to zero for a mean life ({power:g}).")
    mean = math.gamma(1 + 1 / power)

    def lived(age: float) -> float:
        return mean * float(special.gammainc(1 / power, age**power))

    def cost(log_age: float) -> float:
        age = math.exp(log_age)
        return (planned * math.exp(-(age**power)) - failure * math.expm1(-(age**power))) / lived(age)

    def shortfall(log_age: float) -> float:
        age = math.exp(log_age)
        reached = power * age ** (power - 1) * lived(age) + math.expm1(-(age**power))
        return float(planned / (failure - planned) - reached)

    last = LARGEST_LOG / max(power, 1)
    best = math.inf
    if power > 1 and failure > planned:
        best = find_root(shortfall, start=0.0, step=0.5, span=(-math.inf, last))
    return _policy(best, cost=cost, for_ever=failure / mean, last=last, unit=unit)


def minimal_repair(shape: float, rate: float, planned_cost: float, repair_cost: float) -> Policy:
    """Optimal renewal age of an item under minimal repair, with failures by a power law of age.

    Parameters
    ----------
    shape, rate : float
        Of the power law of its failures: ``rate * age**shape`` expected by each age.
    planned_cost, repair_cost : float
        Cost of renewing it, and of repairing one failure.

    Returns
    -------
    Policy
        Never renewing is best when failures do not come faster with age (shape one or less).

    Raises
    ------
    ValueError
        If a value is not above zero.

    Notes
    -----
    The cost rate is ``(planned + repair * rate * t**shape) / t``. Assumes a repair leaves the item as it was
    and a renewal makes it new.

    References
    ----------
    .. [1] Barlow, R. E. and Hunter, L. C. (1960). Optimum preventive maintenance policies. Operations
       Research 8.
    """
    power, speed = columns.positive(shape, name="shape"), columns.positive(rate, name="rate")
    planned = columns.positive(planned_cost, name="planned_cost")
    repairs = speed * columns.positive(repair_cost, name="repair_cost")

    def cost(log_age: float) -> float:
        return planned * math.exp(-log_age) + repairs * math.exp((power - 1) * log_age)

    best = math.log(planned / (repairs * (power - 1))) / power if power > 1 else math.inf
    return _policy(
        best, cost=cost, for_ever=_repairs_for_ever(power, repairs), last=LARGEST_LOG / max(power, 1), unit=1
    )


def inspection(rate: float, inspection_cost: float, hidden_cost: float) -> Policy:
    """Optimal interval of inspections for hidden defects.

    Parameters
    ----------
    rate : float
        Defects per unit of time; zero if there are none.
    inspection_cost : float
        Cost of one inspection.
    hidden_cost : float
        Cost of a defect for each unit of time it stays hidden.

    Returns
    -------
    Policy

    Raises
    ------
    ValueError
        If a cost is not above zero or the rate is negative.

    Notes
    -----
    A defect stays hidden for half an interval on average: the cost rate is about ``inspection / t + rate *
    hidden * t / 2``. Assumes a constant rate, inspections that find every defect, and intervals short against
    the time between defects.

    References
    ----------
    .. [1] Barlow, R. E. and Proschan, F. (1965). Mathematical Theory of Reliability.
    """
    look = columns.positive(inspection_cost, name="inspection_cost")
    hiding = columns.amount(rate, name="rate") * columns.positive(hidden_cost, name="hidden_cost") / 2

    def cost(log_time: float) -> float:
        return look * math.exp(-log_time) + hiding * math.exp(log_time)

    if hiding == 0:
        return _policy(math.inf, cost=cost, for_ever=0.0, last=LARGEST_LOG, unit=1)
    return _policy(math.log(look / hiding) / 2, cost=cost, for_ever=math.inf, last=LARGEST_LOG, unit=1)


def _repairs_for_ever(power: float, repairs: float) -> float:
    """Cost rate of repairing and never renewing."""
    if power == 1:
        return repairs
    return math.inf if power > 1 else 0.0


def _policy(
    best: float, *, cost: Callable[[float], float], for_ever: float, last: float, unit: float
) -> Policy:
    """Policy from the logarithm of the best interval and the cost rate by log interval."""
    least = for_ever if best == math.inf else cost(best)
    if least == 0:
        return Policy(interval=math.inf, cost_rate=0.0, shortest=math.inf, longest=math.inf)

    def margin(log_time: float) -> float:
        return (1 + FLAT) * least - cost(log_time)

    shortest, longest = find_root(margin, start=min(best, last), step=-0.5, span=(-math.inf, last)), math.inf
    if for_ever > (1 + FLAT) * least:
        longest = find_root(margin, start=best, step=0.5, span=(-math.inf, last))
    return Policy(
        interval=unit * math.exp(best),
        cost_rate=least / unit,
        shortest=unit * math.exp(shortest),
        longest=unit * math.exp(longest),
    )
