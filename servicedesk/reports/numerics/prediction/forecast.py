"""Prediction intervals of failure counts, and the stock of parts for a service level."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray, IntArray
from servicedesk.reports.numerics.distributions import negative_binomial_quantile
from servicedesk.reports.numerics.survival.bootstrap import History, records_of_repairs
from servicedesk.reports.numerics.survival.power_law import PowerRegion
from servicedesk.reports.numerics.survival.trend import PowerLaw

PIECE_DRAWS = 4000
"""Simulated numbers of failures for which pieces are drawn."""


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """Predicted number of failures with its prediction interval.

    Attributes
    ----------
    mean : float
        Expected failures.
    low, high : float
        Limits of the prediction interval.
    """

    mean: float
    low: float
    high: float
    quantile: Callable[[Any], Any] = field(repr=False, compare=False)

    def pieces_for(self, service_level: float, failures_by_pieces: Mapping[int, float]) -> int:
        """Smallest stock of pieces that reaches a service level.

        Parameters
        ----------
        service_level : float
            Chance, between 0 and 1, that the stock covers all failures.
        failures_by_pieces : mapping
            Number of past failures by the pieces they took.

        Notes
        -----
        Compound distribution: the number of failures is taken at even steps of its distribution function, and
        the pieces of each are drawn from those of past failures, with a fixed seed.
        """
        level = columns.share(service_level, name="service_level")
        sizes = np.array(list(failures_by_pieces), dtype=np.int64)
        weights = np.array(list(failures_by_pieces.values()), dtype=np.float64)
        if not weights.sum() > 0:
            raise ValueError("failures_by_pieces is empty: no failure has taken any piece so far.")
        steps = (np.arange(PIECE_DRAWS) + 0.5) / PIECE_DRAWS
        numbers = np.asarray(self.quantile(steps)).astype(np.int64)
        drawn = np.random.default_rng(0).multinomial(numbers, weights / weights.sum()) @ sizes
        return int(np.quantile(drawn, level, method="inverted_cdf"))


def predict_count(mean: float, variance: float, *, confidence: float = 0.95) -> Prediction:
    """Prediction interval of a negative binomial count of given mean and variance.

    References
    ----------
    .. [1] Nelson, W. (1982). Applied Life Data Analysis.
    .. [2] Hahn, G. J. and Meeker, W. Q. (1991). Statistical Intervals.
    """
    (prediction,) = predict_counts(np.array([mean]), np.array([variance]), confidence=confidence)
    return prediction


def predict_counts(
    means: FloatArray, variances: FloatArray, *, confidence: float = 0.95
) -> tuple[Prediction, ...]:
    """Prediction intervals of several negative binomial counts, each as `predict_count`."""
    variances = np.maximum(variances, means * (1 + 1e-9))
    limits = _count_quantile(_tails(confidence)[:, np.newaxis], mean=means, variance=variances)
    return tuple(
        Prediction(
            mean=float(mean),
            low=float(low),
            high=float(high),
            quantile=partial(_count_quantile, mean=mean, variance=variance),
        )
        for mean, variance, low, high in zip(means, variances, *limits, strict=True)
    )


def draw_counts(
    mean: float,
    drawn: FloatArray,
    *,
    variance: float,
    between: float = 0.0,
    seed: int = 0,
    confidence: float = 0.95,
) -> Prediction:
    """Prediction interval of a count by simulation over draws of its uncertain mean.

    Parameters
    ----------
    mean : float
        Expected failures.
    drawn : ndarray
        Draws of the mean (bootstrap).
    variance : float
        Of the count at a known mean, shared sites included.
    between : float
        Variance of years around their mean, as a share of the mean squared.
    seed : int
        Of the simulated counts.
    confidence : float
        Two-sided probability of the limits.
    """
    rng = np.random.default_rng(seed)
    spread = between + (max(variance / mean - 1, 0.0) / mean if mean else 0.0)
    frailty = rng.gamma(1 / spread, spread, drawn.size) if spread else np.ones(drawn.size)
    quantile = partial(_draw_quantile, draws=np.sort(rng.poisson(drawn * frailty)))
    low, high = quantile(_tails(confidence))
    return Prediction(mean=mean, low=float(low), high=float(high), quantile=quantile)


def fit_repairs(history: History, *, confidence: float = 0.95) -> PowerLaw:
    """Fit a power-law process to repairable items by maximum likelihood, from spans cut at every failure.

    Parameters
    ----------
    history : History
        Spans as for `mean_cumulative`.
    confidence : float
        Two-sided confidence of the limits, those of the likelihood ratio.

    Returns
    -------
    PowerLaw
        As of `fit_power_law`, without the bias correction for few failures.

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


def _tails(confidence: float) -> FloatArray:
    """Lower and upper tail probabilities of a central interval."""
    tail = (1 - confidence) / 2
    return np.array([tail, 1 - tail])


def _count_quantile(level: Any, *, mean: Any, variance: Any) -> Any:
    """Quantiles of negative binomial counts of given means and variances; zero where the mean is zero."""
    some = np.asarray(mean) > 0
    mean, variance = np.where(some, mean, 1.0), np.where(some, variance, 2.0)
    quantile = negative_binomial_quantile(level, mean**2 / (variance - mean), mean / variance)
    return np.where(some, quantile, 0.0)


def _draw_quantile(level: Any, *, draws: IntArray) -> Any:
    """Empirical quantile of the draws (inverted distribution function)."""
    return np.quantile(draws, level, method="inverted_cdf")
