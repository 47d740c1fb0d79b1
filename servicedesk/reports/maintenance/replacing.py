"""Age-replacement policy of the parts of one type. This module imports no Django."""

from __future__ import annotations

from dataclasses import dataclass

from servicedesk.core.values.words import counted
from servicedesk.reports.curves.life_fits import Limits
from servicedesk.reports.curves.shown_ages import shown_ages
from servicedesk.reports.histories import FirstFailures
from servicedesk.reports.numerics.prediction.policy import Policy, age_replacement
from servicedesk.reports.numerics.survival.weibull import fit_weibull
from servicedesk.reports.questions.judgements import (
    CURVE_ITEMS,
    CURVE_SITES,
    DAYS_PER_YEAR,
    FIT_CURVE_FAILURES,
)
from servicedesk.reports.words import amount


@dataclass(frozen=True, kw_only=True)
class Replacing:
    """Optimal age of replacement in years, with the range within 5 % of the least cost, or why there is none.

    ``at_limits`` is the best age at both limits of the shape.
    """

    best: Limits | None = None
    at_limits: tuple[float, float] | None = None
    reason: str = ""


def best_age(lifetimes: FirstFailures, *, planned: float | None, failure: float) -> Replacing:
    """Optimal replacement age of the parts of one type, from a Weibull fit to first failures.

    Parameters
    ----------
    lifetimes
        First failures.
    planned, failure
        Cost of replacing a part before it fails (None: not given), and of a failure.
    """
    if planned is None:
        return Replacing(reason="say what replacing one before it fails costs")
    failures = int(lifetimes.failed.sum())
    if failures < FIT_CURVE_FAILURES:
        return Replacing(reason=f"{counted(failures, 'first failure')}; it takes {FIT_CURVE_FAILURES}")
    if failure <= planned:
        return Replacing(reason="a failure costs no more than replacing the part in time")
    try:
        fit = fit_weibull(lifetimes.entry, lifetimes.exit, lifetimes.failed)
    except ValueError as error:
        return Replacing(reason=f"no life describes the failures ({error})")
    if fit.shape_low <= 1:
        return Replacing(reason="the records do not show clearly that it wears out")
    policy = age_replacement(fit.shape, fit.scale, planned, failure)
    seen = shown_ages(
        lifetimes.entry,
        lifetimes.exit,
        lifetimes.site,
        to_start=CURVE_ITEMS,
        to_go_on=CURVE_ITEMS,
        sites=CURVE_SITES,
    )
    if seen is None or policy.interval > seen.stop:
        oldest = amount((seen.stop if seen else 0.0) / DAYS_PER_YEAR)
        return Replacing(reason=f"the best age would be above the {oldest} years that enough were watched")
    ages = [
        age_replacement(shape, _scale(lifetimes, shape, failures=failures), planned, failure).interval
        for shape in (fit.shape_low, fit.shape_high)
    ]
    return Replacing(best=_years(policy), at_limits=(min(ages) / DAYS_PER_YEAR, max(ages) / DAYS_PER_YEAR))


def _years(policy: Policy) -> Limits:
    return (
        policy.interval / DAYS_PER_YEAR,
        policy.shortest / DAYS_PER_YEAR,
        policy.longest / DAYS_PER_YEAR,
    )


def _scale(lifetimes: FirstFailures, shape: float, *, failures: int) -> float:
    """Maximum-likelihood scale of a Weibull lifetime of a given shape."""
    unit = float(lifetimes.exit.max())
    run = float(((lifetimes.exit / unit) ** shape - (lifetimes.entry / unit) ** shape).sum())
    return unit * float((run / failures) ** (1 / shape))
