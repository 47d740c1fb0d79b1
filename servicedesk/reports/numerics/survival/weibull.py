"""Weibull lifetimes by maximum likelihood, with left truncation, right and interval censoring."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import BoolArray, FloatArray, IntArray
from servicedesk.reports.numerics.distributions import chi2_quantile, chi2_upper_quantile
from servicedesk.reports.numerics.estimate import Estimate
from servicedesk.reports.numerics.survival import power_law as power
from servicedesk.reports.numerics.survival.ages import Placed, put_on_ruler
from servicedesk.reports.numerics.survival.lifetimes import Lifetimes, count_up, read_lifetimes
from servicedesk.reports.numerics.survival.power_law import Intervals, PowerRegion, PowerSample


@dataclass(frozen=True, kw_only=True, eq=False)
class WeibullFit:
    """Weibull lifetime fitted by maximum likelihood.

    Attributes
    ----------
    shape, shape_low, shape_high : float
        Above one the part wears out, below one it fails early; with likelihood-ratio limits.
    scale : float
        The age by which 63 % have failed.
    log_likelihood : float
    failures : int
        Failures the fit rests on.
    """

    shape: float
    scale: float
    log_likelihood: float
    failures: int
    shape_low: float
    shape_high: float
    region: PowerRegion = field(repr=False)

    def quantile(self, p: float) -> Estimate:
        """Quantile of the lifetime: the age by which a share of new parts will have failed (0.1: B10 life).

        Parameters
        ----------
        p : float
            Share failed, between 0 and 1.

        Returns
        -------
        Estimate
            With likelihood-ratio limits, at the confidence of the fit.
        """
        log_hazard = math.log(-math.log1p(-columns.share(p, name="p")))
        unit = self.region.sample.unit

        def measure(shape: float, level: float) -> float:
            return (level + log_hazard) / shape

        low, high = (self.region.reach(measure, side=side, rises=True) for side in (-1, 1))
        return Estimate(
            self.scale * math.exp(log_hazard / self.shape),
            low=unit * math.exp(low),
            high=unit * math.exp(high),
        )

    def failed_by(self, age: float) -> Estimate:
        """Distribution function of the lifetime: the share of new parts that will have failed by an age.

        Parameters
        ----------
        age : float
            Age, zero or more.

        Returns
        -------
        Estimate
            With likelihood-ratio limits, at the confidence of the fit.
        """
        if columns.amount(age, name="age") == 0:
            return Estimate(0.0, low=0.0, high=0.0)
        log_age = math.log(age / self.region.sample.unit)

        def measure(shape: float, level: float) -> float:
            return shape * log_age - level

        low, high = (self.region.reach(measure, side=side, rises=False) for side in (-1, 1))
        share = (
            -math.expm1(-math.exp(each)) for each in (measure(self.shape, self.region.best.level), low, high)
        )
        value, low, high = share
        return Estimate(value, low=low, high=high)


@dataclass(frozen=True, kw_only=True)
class ScaleFit:
    """Scale of a Weibull lifetime of known shape, with exact limits."""

    shape: float
    scale: float
    scale_low: float
    scale_high: float
    failures: int


def fit_weibull(
    entry: ArrayLike,
    exit: ArrayLike,
    failed: ArrayLike,
    *,
    last_good: ArrayLike | None = None,
    confidence: float = 0.95,
) -> WeibullFit:
    """Maximum-likelihood fit of a Weibull lifetime to truncated and censored records.

    Parameters
    ----------
    entry, exit : array_like
        Ages between which each part was at risk: ``(entry, exit]``. Records of no length are never at risk
        and are left out, with their failures.
    failed : array_like
        Whether the part had failed at ``exit``.
    last_good : array_like, optional
        For failures found at a visit, the age at which the part was last known to be good: it failed after
        that and by ``exit``. NaN where the failure is dated exactly; ignored for parts that did not fail.
    confidence : float
        Two-sided confidence of all limits of the fit.

    Returns
    -------
    WeibullFit
        Limits are those of the likelihood ratio; a shape limit is 0 or infinite if the records do not bound
        it.

    Raises
    ------
    ValueError
        If a column is bad, nothing failed, a part was last known to be good before its entry or not before
        it was found failed, or no Weibull lifetime describes the records (all failures at the oldest age, for
        example).

    Notes
    -----
    Maximum likelihood with right censoring, left truncation and interval censoring. Truncation is valid only
    if parts that failed before their entry would not have been in the records, or were renewed then. Assumes
    one failure mode, independent parts, and follow-up that ends for reasons unrelated to the failure to come.

    References
    ----------
    .. [1] Lawless, J. F. (2003). Statistical Models and Methods for Lifetime Data.
    .. [2] Meeker, W. Q. and Escobar, L. A. (1998). Statistical Methods for Reliability Data.
    .. [3] Hong, Y., Meeker, W. Q. and McCalley, J. D. (2009). Prediction of remaining life of power
       transformers based on left truncated and right censored lifetime data. Annals of Applied Statistics 3.
    .. [4] IEC 61649, Weibull analysis.
    """
    level = columns.share(confidence, name="confidence")
    lifetimes = read_lifetimes(
        entry, exit, failed, beside={} if last_good is None else {"last_good": last_good}
    )
    sample = sample_of(lifetimes)
    if sample.number == 0:
        raise ValueError(
            "Nothing failed, so there is no life to fit; fix the shape and ask for the scale instead."
        )
    best = sample.fit()
    region = PowerRegion.around(sample, best, confidence=level)
    return WeibullFit(
        shape=best.shape,
        scale=sample.unit * math.exp(best.level / best.shape),
        log_likelihood=best.highest - sample.failures * math.log(sample.unit),
        failures=round(sample.number),
        shape_low=region.shape_low,
        shape_high=region.shape_high,
        region=region,
    )


def fit_scale(
    entry: ArrayLike, exit: ArrayLike, failed: ArrayLike, *, shape: float, confidence: float = 0.95
) -> ScaleFit:
    """Scale of a Weibull lifetime of assumed shape, with exact chi-square limits, for few or no failures.

    Parameters
    ----------
    entry, exit, failed : array_like
        As for `fit_weibull`, failures dated exactly.
    shape : float
        The shape assumed; try two or three.
    confidence : float
        Two-sided confidence of the limits.

    Returns
    -------
    ScaleFit
        The scale and its upper limit are infinite when nothing failed.

    Raises
    ------
    ValueError
        If a column is bad, nothing was at risk, or the shape is not above zero.

    Notes
    -----
    With the shape known, powers of age turn the lifetimes into exponential ones and the limits into
    chi-square quantiles.

    References
    ----------
    .. [1] Nelson, W. (1985). Weibull analysis of reliability data with few or no failures. Journal of Quality
       Technology 17.
    """
    tail = (1 - columns.share(confidence, name="confidence")) / 2
    steepness = columns.positive(shape, name="shape")
    sample = sample_of(read_lifetimes(entry, exit, failed))
    number, time = sample.failures, sample.at(steepness).time

    def scale(hazard: float) -> float:
        return sample.unit * (time / hazard) ** (1 / steepness) if hazard > 0 else math.inf

    return ScaleFit(
        shape=steepness,
        scale=scale(number),
        scale_low=scale(float(chi2_upper_quantile(tail, 2 * number + 2)) / 2),
        scale_high=scale(float(chi2_quantile(tail, 2 * number)) / 2 if number else 0.0),
        failures=int(number),
    )


def sample_of(lifetimes: Lifetimes) -> PowerSample:
    """Sufficient statistics of the Weibull likelihood."""
    if "last_good" not in lifetimes.beside:
        tally = lifetimes.tally()
        leaving = tally.exits - tally.entries
        oldest = float(lifetimes.marks[np.flatnonzero(tally.exits)[-1]])
        return power.sample(lifetimes.marks, leaving=leaving, failures=tally.failures, unit=oldest)
    dated = date_loosely(lifetimes)
    tally = count_up(dated.entry, dated.stop, dated.failed, size=dated.marks.shape[0])
    number = np.bincount(dated.interval, minlength=dated.log_low.size).astype(np.float64)
    return power.sample(
        dated.marks,
        leaving=tally.exits - tally.entries,
        failures=tally.failures,
        unit=dated.unit,
        intervals=Intervals(dated.log_low, dated.log_high, number),
    )


@dataclass(frozen=True, eq=False)
class LooselyDated:
    """Lifetimes of which some failures are interval-censored.

    ``entry`` and ``stop`` are the ages between which each part is known to have been good, ``failed`` says
    whether it failed at ``stop``. The rows in ``loose`` failed later, in the ``interval`` with the logarithms
    ``log_low`` and ``log_high`` (in units of the oldest age).
    """

    marks: FloatArray
    entry: Placed
    stop: Placed
    failed: BoolArray
    unit: float
    loose: IntArray
    interval: IntArray
    log_low: FloatArray
    log_high: FloatArray


def date_loosely(lifetimes: Lifetimes) -> LooselyDated:
    """Separate interval-censored failures from those dated exactly."""
    good = columns.as_float(lifetimes.beside["last_good"], name="last_good")
    loose = lifetimes.failed & ~np.isnan(good)
    entry, exit = lifetimes.marks[lifetimes.entry.places], lifetimes.marks[lifetimes.exit.places]
    if (good[loose] < entry[loose]).any():
        raise ValueError(
            "last_good comes before entry for a failed part: at its entry it is known to have been good, "
            "so give the later of the two."
        )
    if (good[loose] >= exit[loose]).any():
        raise ValueError(
            "last_good is not before exit for a failed part: it was good before it was found failed; "
            "leave last_good out (NaN) where the failure is dated exactly."
        )
    unit = float(exit.max())
    ruler = put_on_ruler(entry, np.where(loose, good, exit), longest=unit)
    pairs, interval = np.unique(np.stack([good[loose], exit[loose]]), axis=1, return_inverse=True)
    with np.errstate(divide="ignore"):
        log_low, log_high = np.log(pairs / unit)
    return LooselyDated(
        marks=ruler.marks,
        entry=ruler.columns[0],
        stop=ruler.columns[1],
        failed=lifetimes.failed & ~loose,
        unit=unit,
        loose=np.flatnonzero(loose),
        interval=interval.ravel(),
        log_low=log_low,
        log_high=log_high,
    )
