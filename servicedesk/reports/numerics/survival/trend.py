"""Trend tests of repairable items (Laplace, MIL-HDBK-189, likelihood ratio) and the power-law process."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import AnyArray, FloatArray, IntArray
from servicedesk.reports.numerics.distributions import chi2_quantile, chi2_share, chi2_tail, normal_tail
from servicedesk.reports.numerics.survival import power_law as power


@dataclass(frozen=True, kw_only=True)
class PowerLaw:
    """Power-law process: ``rate * age**shape`` failures expected of an item by each age.

    Attributes
    ----------
    rate, shape : float
        A shape above one means failures come faster with age.
    low, high : float
        Limits of the shape.
    unbiased_shape : float
        Bias-corrected shape; NaN where the windows do not all run from age zero to one common age.
    events : int
        Failures.
    """

    rate: float
    shape: float
    low: float
    high: float
    unbiased_shape: float
    events: int


@dataclass(frozen=True, kw_only=True)
class Trend:
    """Result of a test of a constant rate: the statistic, its degrees of freedom and two-sided p-value."""

    statistic: float
    degrees: int
    p_value: float


def fit_power_law(
    events: Sequence[ArrayLike], start: ArrayLike, stop: ArrayLike, *, confidence: float = 0.95
) -> PowerLaw:
    """Maximum-likelihood fit of a power-law process to items under minimal repair.

    Parameters
    ----------
    events : sequence of array_like
        Ages at the failures of each item.
    start, stop : array_like
        Ages between which each item was at risk; its failures lie in ``(start, stop]``. For items followed
        until a last failure let ``stop`` be its age.
    confidence : float
        Two-sided confidence of the limits.

    Returns
    -------
    PowerLaw
        Limits are exact (chi-square) when every window runs from age zero to one common age, which must not
        itself be the age of a failure that ended the follow-up; else they are those of the likelihood ratio.

    Raises
    ------
    ValueError
        If windows are bad, a failure lies outside its window, nothing failed, or no shape describes the
        failures.

    Notes
    -----
    Assumes that a repair leaves the item as it was, and that all items share one rate.

    References
    ----------
    .. [1] Crow, L. H. (1975). Reliability analysis for complex, repairable systems. AMSAA TR-138.
    .. [2] MIL-HDBK-189 (1981). Reliability growth management.
    .. [3] Rigdon, S. E. and Basu, A. P. (2000). Statistical Methods for the Reliability of Repairable
       Systems.
    """
    level = columns.share(confidence, name="confidence")
    watched = _read(events, start, stop)
    sample = _sample(watched)
    best = sample.fit()
    number = watched.age.size
    unbiased = math.nan
    if not watched.start.any() and np.ptp(watched.stop) == 0:
        tails = (1 - level) / 2, (1 + level) / 2
        low, high = (best.shape * float(chi2_quantile(tail, 2 * number)) / (2 * number) for tail in tails)
        unbiased = best.shape * (number - 1) / number
    else:
        region = power.PowerRegion.around(sample, best, confidence=level)
        low, high = region.shape_low, region.shape_high
    return PowerLaw(
        rate=math.exp(best.log_rate(sample.unit)),
        shape=best.shape,
        low=low,
        high=high,
        unbiased_shape=unbiased,
        events=number,
    )


def laplace(
    events: Sequence[ArrayLike], start: ArrayLike, stop: ArrayLike, *, design_effect: float = 1.0
) -> Trend:
    """Laplace test of a trend of failures over the follow-up of the items.

    Parameters
    ----------
    events, start, stop
        As for `fit_power_law`. Where a window ended with its own last failure, leave that failure out.
    design_effect : float
        Inflation of the variance by clustered failures; the statistic is divided by its root.

    Returns
    -------
    Trend
        The statistic is standard normal without a trend and above zero when failures come faster with age;
        its square has the one degree of freedom given.

    Raises
    ------
    ValueError
        As for `fit_power_law`.

    Notes
    -----
    Conditional on the number of failures of each item, so items may differ in their rates. The null
    hypothesis is a Poisson process without a trend: failures that come in clusters can reject it too.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.3.4.
    .. [2] IEC 60605-6, Tests for the validity of a constant failure rate.
    .. [3] Lindqvist, B. H. (2006). On the statistical modeling and analysis of repairable systems.
       Statistical Science 21.
    """
    effect = columns.inflation(design_effect)
    watched = _read(events, start, stop)
    middle = float((watched.number * (watched.start + watched.stop)).sum() / 2)
    variance = float((watched.number * (watched.stop - watched.start) ** 2).sum() / 12)
    statistic = (float(watched.age.sum()) - middle) / math.sqrt(variance * effect)
    return Trend(statistic=statistic, degrees=1, p_value=float(2 * normal_tail(abs(statistic))))


def mil_hdbk_189(events: Sequence[ArrayLike], stop: ArrayLike) -> Trend:
    """MIL-HDBK-189 test of a power-law trend in items followed from age zero.

    Parameters
    ----------
    events : sequence of array_like
        Ages at the failures of each item.
    stop : array_like
        Age to which each item was followed. Where the follow-up ended with the item's own last failure, leave
        that failure out.

    Returns
    -------
    Trend
        The statistic is chi-square without a trend; small values mean failures come faster with age.

    Raises
    ------
    ValueError
        As for `fit_power_law`.

    Notes
    -----
    Conditional on the number of failures of each item, so items may differ in their rates; otherwise it
    assumes what `laplace` does.

    References
    ----------
    .. [1] MIL-HDBK-189 (1981). Reliability growth management.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.3.4.
    """
    ends = columns.times(stop, name="stop")
    watched = _read(events, np.zeros(ends.shape[0]), ends)
    statistic = float(2 * np.log(watched.stop[watched.item] / watched.age).sum())
    degrees = 2 * watched.age.size
    tails = chi2_share(statistic, degrees), chi2_tail(statistic, degrees)
    return Trend(statistic=statistic, degrees=degrees, p_value=float(min(1.0, 2 * min(tails))))


def constant_rate(events: Sequence[ArrayLike], start: ArrayLike, stop: ArrayLike) -> Trend:
    """Likelihood-ratio test of a constant rate against a power law, for windows that begin at any age.

    Parameters
    ----------
    events, start, stop
        As for `fit_power_law`.

    Returns
    -------
    Trend
        Twice the gain in log-likelihood, chi-square on one degree of freedom without a trend. The shape of
        the fitted power law gives the direction.

    Raises
    ------
    ValueError
        As for `fit_power_law`.

    Notes
    -----
    Assumes that all items share one rate.

    References
    ----------
    .. [1] Rigdon, S. E. and Basu, A. P. (2000). Statistical Methods for the Reliability of Repairable
       Systems.
    """
    sample = _sample(_read(events, start, stop))
    statistic = max(0.0, 2 * (sample.fit().highest - sample.at(1.0).highest))
    return Trend(statistic=statistic, degrees=1, p_value=float(chi2_tail(statistic, 1)))


class _Windows(NamedTuple):
    """Window of each item, and each failure with its age and item."""

    start: FloatArray
    stop: FloatArray
    number: IntArray
    age: FloatArray
    item: IntArray


def _read(events: Sequence[ArrayLike], start: ArrayLike, stop: ArrayLike) -> _Windows:
    first, last, _, _ = columns.spans(start, stop, names=("start", "stop"))
    each = [columns.times(ages, name=f"events of item {item}") for item, ages in enumerate(events)]
    if len(each) != first.shape[0]:
        raise ValueError(f"events lists {len(each)} items, but there are {first.shape[0]} windows.")
    number = np.array([ages.shape[0] for ages in each], dtype=np.int64)
    if not number.sum():
        raise ValueError("events holds no failure, so there is no trend to look for.")
    age, item = np.concatenate(each), np.repeat(np.arange(number.size), number)
    outside = (age <= first[item]) | (age > last[item])
    if outside.any():
        row = int(np.argmax(outside))
        raise ValueError(
            f"events of item {item[row]} holds age {age[row]:g}, outside its window "
            f"from {first[item[row]]:g} to {last[item[row]]:g}; a failure lies after the start."
        )
    return _Windows(first.astype(np.float64), last.astype(np.float64), number, age.astype(np.float64), item)


def _sample(watched: _Windows) -> power.PowerSample:
    marks, place = np.unique(np.concatenate([watched.start, watched.stop, watched.age]), return_inverse=True)
    ends = np.cumsum([watched.start.size, watched.stop.size])
    entries, exits, failures = (_count(part, size=marks.size) for part in np.split(place, ends))
    return power.sample(marks, leaving=exits - entries, failures=failures, unit=float(marks[-1]))


def _count(places: AnyArray, *, size: int) -> IntArray:
    return np.bincount(places, minlength=size)
