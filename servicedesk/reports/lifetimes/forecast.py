"""How many failures to expect, and how many parts to keep for them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from servicedesk.reports.lifetimes import columns
from servicedesk.reports.lifetimes.bootstrap import History, Power, records_of_lives, records_of_repairs
from servicedesk.reports.lifetimes.columns import FloatArray, IntArray
from servicedesk.reports.lifetimes.power import PowerRegion
from servicedesk.reports.lifetimes.trend import PowerLaw
from servicedesk.reports.lifetimes.weibull import ScaleFit, WeibullFit

TINY = 1e-300
"""Stands for zero under a logarithm."""

ITEMS_AT_ONCE = 4096
"""Kinds of items whose successors are worked out together."""

MOST_IN_A_STEP = 0.1
"""Share of parts that may fail within half a step for the renewal equation to be worked out."""

RENEWAL_STEPS = 256
"""Steps in which the failures of parts replaced within the horizon are worked out."""


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """How many failures to expect, and between which numbers they will lie.

    Attributes
    ----------
    mean : float
        Failures to expect.
    low, high : float
        Between these the number will lie, with the confidence asked for.
    """

    mean: float
    low: float
    high: float
    quantile: Callable[[float], float] = field(repr=False, compare=False)

    def stock_for(self, service_level: float) -> int:
        """Give the smallest stock that will do with a certain chance.

        Parameters
        ----------
        service_level : float
            Chance, between 0 and 1, that no failure finds the shelf empty.

        Returns
        -------
        int
        """
        return int(self.quantile(columns.share(service_level, name="service_level")))


def predict_events(
    events: float,
    exposure: float,
    future_exposure: float,
    *,
    design_effect: float = 1.0,
    confidence: float = 0.95,
) -> Prediction:
    """Predict the failures of a time to come from those of the past, at a constant rate.

    Parameters
    ----------
    events, exposure : float
        Failures seen and the time at risk in which they were.
    future_exposure : float
        Time at risk to come.
    design_effect : float
        Inflation of the variance by shared sites, in the past and in what is to come.
    confidence : float
        Two-sided probability of the limits.

    Returns
    -------
    Prediction

    Raises
    ------
    ValueError
        If there is no exposure, or a value is negative or not a number.

    Notes
    -----
    Negative binomial: Poisson failures whose rate is as uncertain as the past leaves it (Jeffreys' prior adds
    half a failure). With a design effect ``phi`` the mean stays ``m = (n + 1/2) T* / T`` and the variance
    becomes ``phi m + phi m^2 / (n + 1/2)``. Assumes that the rate stays what it was.

    References
    ----------
    .. [1] Nelson, W. (1982). Applied Life Data Analysis.
    .. [2] Hahn, G. J. and Meeker, W. Q. (1991). Statistical Intervals.
    .. [3] Krishnamoorthy, K. and Peng, J. (2011). Improved closed-form prediction intervals for binomial and
       Poisson distributions. Journal of Statistical Planning and Inference 141.
    """
    effect = columns.inflation(design_effect)
    level = columns.share(confidence, name="confidence")
    number = columns.amount(events, name="events") + 0.5
    past = columns.positive(exposure, name="exposure")
    mean = number * columns.amount(future_exposure, name="future_exposure") / past
    variance = effect * mean * (1 + mean / number)
    quantile = partial(_count_quantile, mean=mean, variance=variance)
    return _prediction(mean, quantile, confidence=level)


def expected_failures(
    fit: WeibullFit | ScaleFit | PowerLaw,
    ages: ArrayLike,
    horizon: ArrayLike,
    *,
    history: History | None = None,
    renew: bool = True,
    design_effect: float = 1.0,
    replicates: int = 1000,
    seed: int = 0,
    confidence: float = 0.95,
) -> Prediction:
    """Predict the failures of the items in place from the ages they have reached.

    Parameters
    ----------
    fit : WeibullFit, ScaleFit or PowerLaw
        A life, for parts replaced when they fail; a power law, for items repaired as they were.
    ages : array_like
        Age of each item in place.
    horizon : float or array_like
        How far to look ahead, for all or for each (what is left of its warranty, say).
    history : History, optional
        The records behind the fit. Sites are drawn again from them and refitted, so that the limits hold the
        doubt about the fit; without them they hold only the chance of what happens.
    renew : bool
        Whether a failed part is replaced by a new one of its kind, which may fail too. Power laws go on in
        any case.
    design_effect : float
        Inflation of the variance of what happens by shared sites.
    replicates : int
        Draws behind the limits.
    seed : int
        Of the draws; the same seed gives the same limits.
    confidence : float
        Two-sided probability of the limits.

    Returns
    -------
    Prediction

    Raises
    ------
    ValueError
        If a column is bad, no item is given, or no draw of sites can be fitted.

    Notes
    -----
    Items of a power law fail ``L(age + horizon) - L(age)`` times, parts with the chance ``1 - S(age +
    horizon) / S(age)``, and their successors by the renewal equation. Assumes the items in place and no new
    ones, and that what held up to the ages seen holds beyond.

    References
    ----------
    .. [1] Escobar, L. A. and Meeker, W. Q. (1999). Statistical prediction based on censored life data.
       Technometrics 41.
    .. [2] Hong, Y., Meeker, W. Q. and McCalley, J. D. (2009). Prediction of remaining life of power
       transformers based on left truncated and right censored lifetime data. Annals of Applied Statistics 3.
    .. [3] Xie, M. (1989). On the solution of renewal-type integral equations. Communications in Statistics B
       18.
    """
    level = columns.share(confidence, name="confidence")
    effect = columns.inflation(design_effect)
    if replicates < 1:
        raise ValueError("replicates must be at least 1.")
    items = _items(ages, horizon)
    repaired = isinstance(fit, PowerLaw)
    best = Power(
        fit.shape, math.log(fit.rate) if isinstance(fit, PowerLaw) else -fit.shape * math.log(fit.scale)
    )
    mean = _mean(items, best, repaired=repaired, renew=renew)
    rng = np.random.default_rng(seed)
    draws = []
    for drawn in _powers(best, history, repaired=repaired, times=replicates, rng=rng):
        shaken = Power(drawn.shape, drawn.log_rate + _log_frailty(rng, mean, effect=effect))
        draws.append(_draw(items, shaken, repaired=repaired, renew=renew, rng=rng))
    if not draws:
        raise ValueError(
            "No draw of sites from the history can be fitted; there are too few failures behind it."
        )
    return _prediction(mean, partial(_draw_quantile, draws=np.sort(draws)), confidence=level)


def fit_repairs(history: History, *, confidence: float = 0.95) -> PowerLaw:
    """Fit a power of age to items that are repaired and go on, from spans cut at every failure.

    Parameters
    ----------
    history : History
        Spans as for `mean_cumulative`: what `expected_failures` takes beside the fit.
    confidence : float
        Two-sided confidence of the limits, those of the likelihood ratio.

    Returns
    -------
    PowerLaw
        As of `fit_power_law`, without the correction for few failures.

    Raises
    ------
    ValueError
        If a column is bad, nothing failed, or no shape describes the failures.

    References
    ----------
    .. [1] Crow, L. H. (1975). Reliability analysis for complex, repairable systems. AMSAA TR-138.
    """
    level = columns.share(confidence, name="confidence")
    records = records_of_repairs(history)
    sample = records.weighted(np.ones(records.leaving.shape[0]))
    if sample.number == 0:
        raise ValueError("Nothing failed, so there is no shape to fit.")
    best = sample.fit()
    region = PowerRegion.around(sample, best, confidence=level)
    return PowerLaw(
        rate=math.exp(best.log_rate(sample.unit)),
        shape=best.shape,
        low=region.shape_low,
        high=region.shape_high,
        unbiased_shape=math.nan,
        events=int(sample.number),
    )


class _Items(NamedTuple):
    """Distinct ages and horizons, and how many items have each pair."""

    age: FloatArray
    horizon: FloatArray
    number: IntArray


def _hazard(age: FloatArray, horizon: FloatArray, power: Power) -> FloatArray:
    """Give the cumulative hazard an item of an age runs through within its horizon."""
    aged = age > 0
    # Of an aged item only the growth counts; taking two large hazards from each other would lose it.
    start = np.where(aged, age, 1.0)
    with np.errstate(divide="ignore", over="ignore"):
        grown = np.exp(power.log_rate + power.shape * np.log(start)) * np.expm1(
            power.shape * np.log1p(horizon / start)
        )
        fresh = np.exp(power.log_rate + power.shape * np.log(horizon))
    hazard: FloatArray = np.where(aged, grown, fresh)
    return hazard


def _items(ages: ArrayLike, horizon: ArrayLike) -> _Items:
    age = columns.times(ages, name="ages").astype(np.float64)
    if age.size == 0:
        raise ValueError("ages is empty: there are no items to look ahead for.")
    ahead = np.asarray(horizon)
    if ahead.ndim == 0:
        ahead = np.full(age.shape, ahead)
    ahead = columns.times(ahead, name="horizon").astype(np.float64)
    columns.same_length(ages=age, horizon=ahead)
    pairs, number = np.unique(np.stack([age, ahead]), axis=1, return_counts=True)
    return _Items(pairs[0], pairs[1], number)


def _powers(
    best: Power, history: History | None, *, repaired: bool, times: int, rng: np.random.Generator
) -> Iterable[Power]:
    """Give the power of age behind each draw: as fitted, or refitted to sites drawn again."""
    if history is None:
        return itertools.repeat(best, times)
    records = records_of_repairs(history) if repaired else records_of_lives(history)
    return records.refits(near=best.shape, times=times, rng=rng)


def _log_frailty(rng: np.random.Generator, mean: float, *, effect: float) -> float:
    """Draw how much more often everything fails than it should, which inflates the variance of a count."""
    if effect == 1 or mean == 0:
        return 0.0
    spread = (effect - 1) / mean
    return math.log(max(rng.gamma(1 / spread, spread), TINY))


def _mean(items: _Items, power: Power, *, repaired: bool, renew: bool) -> float:
    hazard = _hazard(items.age, items.horizon, power)
    if repaired:
        return float(items.number @ hazard)
    once = -np.expm1(-hazard)
    if not renew:
        return float(items.number @ once)
    return float(items.number @ (once + _successors(items, power)))


def _successors(items: _Items, power: Power) -> FloatArray:
    """Give the failures to expect from the parts that replace each kind of item within its horizon."""
    longest = float(items.horizon.max())
    if longest == 0:
        return np.zeros(items.number.size)
    grid = np.linspace(0.0, longest, RENEWAL_STEPS + 1)
    renewals = _renewals(grid, power)
    ends = np.linspace(0.0, 1.0, RENEWAL_STEPS + 1)
    middle = (ends[1:] + ends[:-1]) / 2
    found = []
    for begin in range(0, items.number.size, ITEMS_AT_ONCE):
        rows = slice(begin, begin + ITEMS_AT_ONCE)
        age, horizon = items.age[rows, np.newaxis], items.horizon[rows, np.newaxis]
        alive = np.exp(-_hazard(age, horizon * ends, power))
        left = horizon * (1 - middle)
        found.append((-np.diff(alive, axis=1) * np.interp(left, grid, renewals)).sum(axis=1))
    return np.concatenate(found)


def _renewals(grid: FloatArray, power: Power) -> FloatArray:
    """Solve the renewal equation of new parts on a grid of ages, by the rule of Xie."""
    new = np.zeros(grid.size)
    failed = -np.expm1(-_hazard(new, grid, power))
    half = -np.expm1(-_hazard(new[1:], grid[1:] - grid[1] / 2, power))
    if half[0] > MOST_IN_A_STEP:
        raise ValueError(
            "horizon spans so many lives of the part that its replacements cannot be followed; "
            "look less far ahead, or do not renew."
        )
    renewals = np.zeros(grid.size)
    for k in range(1, grid.size):
        earlier = np.diff(renewals[:k]) @ half[1:k][::-1]
        renewals[k] = (failed[k] + earlier - renewals[k - 1] * half[0]) / (1 - half[0])
    return renewals


def _draw(items: _Items, power: Power, *, repaired: bool, renew: bool, rng: np.random.Generator) -> int:
    """Draw what happens within the horizon."""
    hazard = _hazard(items.age, items.horizon, power)
    if repaired:
        return int(rng.poisson(items.number @ hazard))
    chance = -np.expm1(-hazard)
    failed = rng.binomial(items.number, chance)
    total = int(failed.sum())
    if not renew or not total:
        return total
    which = np.repeat(np.arange(failed.size), failed)
    # The hazard run through until the failure, given that it comes within the horizon.
    spent = -np.log1p(-rng.random(total) * chance[which])
    before = _hazard(np.zeros(which.size), items.age[which], power)
    left = (items.age + items.horizon)[which] - np.exp(
        (np.log(before + spent) - power.log_rate) / power.shape
    )
    while left.size:
        life = np.exp((np.log(rng.exponential(size=left.size)) - power.log_rate) / power.shape)
        left = (left - life)[life <= left]
        total += left.size
    return total


def _prediction(mean: float, quantile: Callable[[float], float], *, confidence: float) -> Prediction:
    tail = (1 - confidence) / 2
    return Prediction(mean=mean, low=float(quantile(tail)), high=float(quantile(1 - tail)), quantile=quantile)


def _count_quantile(level: float, *, mean: float, variance: float) -> float:
    """Give a quantile of the negative binomial count of this mean and variance."""
    if mean == 0:
        return 0.0
    return float(stats.nbinom.ppf(level, mean**2 / (variance - mean), mean / variance))


def _draw_quantile(level: float, *, draws: IntArray) -> float:
    """Give the least of the drawn numbers that so many draws do not pass."""
    return float(np.quantile(draws, level, method="inverted_cdf"))
