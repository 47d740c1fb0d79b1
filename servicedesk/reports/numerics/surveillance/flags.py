"""Surveillance tests for bad batches: flags of groups that fail too often, and Poisson CUSUM charts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import BoolArray, FloatArray
from servicedesk.reports.numerics.counts.multiplicity import benjamini_hochberg
from servicedesk.reports.numerics.counts.site_variance import Cells
from servicedesk.reports.numerics.counts.unlike_sites import chance_while_waiting, draw_ratios, drawn_chance

FALSE_ALARMS = 0.10
"""Accepted share of false alarms among the groups flagged (false discovery rate)."""

FLAGGED_AT = 0.08
"""Q-value up to which a group is flagged: below `FALSE_ALARMS`, as the site variance is only estimated."""

FEWEST_EVENTS, FEWEST_SITES = 3, 2
"""A group is flagged only with this many failures at this many sites."""

DRAWN_BELOW = 0.02
"""P-values below this are simulated site by site."""

RUN_LENGTH = 120
"""In-control run length: steps in which one false alarm is accepted, ten years of months."""

CHARTS_SIMULATED = 4000

ROUNDING = 1e-9
"""A sum that exceeds the threshold by no more than this counts as at it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Flags:
    """Result of the surveillance test of groups.

    Attributes
    ----------
    p_value : ndarray
        One-sided p-value that the group fails like the others; NaN where it could not be tested.
    q_value : ndarray
        The same, adjusted for the number of groups.
    flagged : ndarray
        Groups to inspect.
    """

    p_value: FloatArray
    q_value: FloatArray
    flagged: BoolArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Cusum:
    """Cumulative sum (CUSUM) of failures above their expectation.

    Attributes
    ----------
    path : ndarray
        The sum after each step, in failures.
    threshold : float
        Above this (not at it) the alarm is raised.
    alarm_at : int or None
        First step with an alarm, counted from zero; None without one.
    """

    path: FloatArray
    threshold: float
    alarm_at: int | None


def flag_groups(
    events: ArrayLike,
    expected: ArrayLike,
    sites: ArrayLike,
    *,
    cells: Cells | None = None,
    variance: float = 0.0,
) -> Flags:
    """Flag the groups (batches, lots) that fail more often than all the others.

    Parameters
    ----------
    events : array_like
        Failures of each group; all groups of the comparison must be among them.
    expected : array_like
        Failures expected of each group by its ages if it failed like all *other* groups.
    sites : array_like
        Sites at which the group's failures happened.
    cells : Cells, optional
        Failures expected of each group at each site; needed where sites differ.
    variance : float
        Of the gamma site effects of mean one; zero where sites are alike.

    Returns
    -------
    Flags
        Flagged are groups with at least 3 failures at 2 sites whose q-value is at most 0.08. A group without
        expected failures, the only one with any, or one that is at a single site, cannot be tested.

    Raises
    ------
    ValueError
        If columns differ in length or hold negative values, or there is a variance without cells.

    Notes
    -----
    Both counts are random: given the total of the failures and the site effects, those of the group are
    binomial. Site effects are simulated where the p-value is small; else one gamma is close enough. Groups
    with too few failures to be flagged still count as tested, as how many they had is chance. Assumes that
    the expectation was standardized by age.

    References
    ----------
    .. [1] Przyborowski, J. and Wilenski, H. (1940). Homogeneity of results in testing samples from Poisson
       series. Biometrika 31.
    .. [2] Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate. JRSS B 57.
    """
    number = columns.amounts(events, name="events")
    due = columns.amounts(expected, name="expected")
    places = columns.amounts(sites, name="sites")
    columns.same_length(events=number, expected=due, sites=places)
    if variance > 0 and cells is None:
        raise ValueError("variance needs cells: which groups share sites, and how much was expected there.")
    others = number.sum() - number
    testable = (due > 0) & (others > 0)
    if cells is not None:
        testable &= np.bincount(cells.group, minlength=number.size) >= FEWEST_SITES
    felt = np.zeros(number.size) if cells is None else variance * cells.felt()
    p_value = np.full(number.shape[0], np.nan)
    p_value[testable] = chance_while_waiting(
        number[testable], others[testable], due=due[testable], variance=felt[testable]
    )
    enough = (number >= FEWEST_EVENTS) & (places >= FEWEST_SITES)
    if cells is not None and variance > 0:
        for place in np.flatnonzero(enough & (np.nan_to_num(p_value, nan=1.0) <= DRAWN_BELOW)):
            ratios = draw_ratios(cells, int(place), variance=variance)
            p_value[place] = drawn_chance(number[place], others[place], due=due[place], ratios=ratios)
    q_value = adjusted(p_value, enough=enough)
    return Flags(
        p_value=p_value, q_value=q_value, flagged=enough & (np.nan_to_num(q_value, nan=1.0) <= FLAGGED_AT)
    )


def adjusted(p_value: FloatArray, *, enough: BoolArray) -> FloatArray:
    """Benjamini-Hochberg q-values; groups with too few failures to be flagged count with a p-value of one."""
    return benjamini_hochberg(np.where(enough | np.isnan(p_value), p_value, 1.0))


def poisson_cusum(
    counts: ArrayLike, expected: ArrayLike, *, ratio: float = 2, threshold: float | None = None
) -> Cusum:
    """Poisson CUSUM chart of failures by month, with an alarm when they exceed their expectation.

    Parameters
    ----------
    counts : array_like
        Failures in each step.
    expected : array_like
        Failures expected in each step.
    ratio : float
        The rise to detect: 2 means a doubling.
    threshold : float, optional
        Raise the alarm above this sum. By default it is chosen by `cusum_threshold` for one false alarm in
        120 steps.

    Returns
    -------
    Cusum

    Raises
    ------
    ValueError
        If columns differ in length or are bad, there are none, or the ratio is not above one.

    Notes
    -----
    ``C_t = max(0, C_(t-1) + n_t - k_t)`` with the allowance ``k_t = expected_t * (ratio - 1) / ln(ratio)``:
    multiplied by ``ln(ratio)`` it is the log-likelihood ratio of the rise. The alarm rule is above, not at,
    the threshold; the other rule alarms much sooner. Assumes Poisson counts around their expectation.

    References
    ----------
    .. [1] Lucas, J. M. (1985). Counted data CUSUM's. Technometrics 27.
    .. [2] Steiner, S. H., Cook, R. J., Farewell, V. T. and Treasure, T. (2000). Monitoring surgical
       performance using risk-adjusted cumulative sum charts. Biostatistics 1.
    """
    number = columns.whole_counts(counts, name="counts")
    due = columns.amounts(expected, name="expected")
    columns.same_length(counts=number, expected=due)
    gaps = number - due * _allowance(ratio)
    limit = (
        cusum_threshold(due, ratio=ratio)
        if threshold is None
        else columns.amount(threshold, name="threshold")
    )
    # The CUSUM is the running sum less its minimum so far.
    whole = np.concatenate([[0.0], np.cumsum(gaps)])
    path = (whole - np.minimum.accumulate(whole))[1:]
    above = np.flatnonzero(path > limit + ROUNDING)
    return Cusum(path=path, threshold=limit, alarm_at=int(above[0]) if above.size else None)


def cusum_threshold(
    expected: ArrayLike,
    *,
    ratio: float = 2,
    run_length: int = RUN_LENGTH,
    charts: int = 1,
    design_effect: float = 1.0,
    seed: int = 0,
) -> float:
    """CUSUM threshold for a given in-control run length, by simulation.

    Parameters
    ----------
    expected : array_like
        Failures expected in each step; repeated as often as needed.
    ratio : float
        As for `poisson_cusum`.
    run_length : int
        Steps in which one false alarm, over all charts, is accepted.
    charts : int
        Charts followed side by side.
    design_effect : float
        Inflation of the variance of the counts by shared sites.
    seed : int
        Of the simulation.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If nothing is expected to be counted, or a parameter makes no sense.

    Notes
    -----
    Found by simulating charts in control: false alarms come about like a Poisson process, so a chart
    gets through ``run_length`` steps without one with the chance ``exp(-1 / charts)``. Counts are Poisson, or
    negative binomial when the design effect is above one.

    References
    ----------
    .. [1] Lucas, J. M. (1985). Counted data CUSUM's. Technometrics 27.
    """
    due = columns.amounts(expected, name="expected")
    if due.size == 0:
        raise ValueError("expected is empty: a chart needs at least one step.")
    if run_length < 1 or charts < 1:
        raise ValueError("run_length and charts must be at least 1.")
    effect, allowance = columns.inflation(design_effect), _allowance(ratio)
    rng = np.random.default_rng(seed)
    current, highest = np.zeros(CHARTS_SIMULATED), np.zeros(CHARTS_SIMULATED)
    for mean in np.resize(due, run_length):
        current = np.maximum(0.0, current + _counts(rng, mean, effect=effect) - allowance * mean)
        highest = np.maximum(highest, current)
    return float(np.quantile(highest, math.exp(-1 / charts), method="inverted_cdf"))


def _allowance(ratio: float) -> float:
    rise = columns.positive(ratio, name="ratio")
    if rise <= 1:
        raise ValueError("ratio must be above 1: the chart looks for a rise.")
    return (rise - 1) / math.log(rise)


def _counts(rng: np.random.Generator, mean: float, *, effect: float) -> FloatArray:
    if mean > 0 and effect > 1:
        return rng.negative_binomial(mean / (effect - 1), 1 / effect, CHARTS_SIMULATED).astype(np.float64)
    return rng.poisson(mean, CHARTS_SIMULATED).astype(np.float64)
