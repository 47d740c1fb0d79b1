"""Control limits of a funnel plot: the range of observed rates that chance alone explains."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray
from servicedesk.reports.numerics.distributions import (
    normal_quantile,
    poisson_chance,
    poisson_quantile,
    poisson_share,
)

MANY = 1e9
"""Expected counts above this are taken as normal."""


def funnel_limits(
    rate: float, exposure: ArrayLike, *, design_effect: float = 1.0, confidence: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Funnel-plot limits of observed rates around a common rate, by time at risk.

    Parameters
    ----------
    rate : float
        The common rate, above zero.
    exposure : array_like
        Time at risk of each group, above zero.
    design_effect : float
        Inflation of the variance by shared sites.
    confidence : float
        Share of groups that stay between the limits by chance.

    Returns
    -------
    low, high : ndarray

    Raises
    ------
    ValueError
        If the rate or an exposure is not above zero, or the design effect is below one.

    Notes
    -----
    Poisson quantiles of the effective counts (expected failures divided by the design effect), with the step
    between two counts shared out in proportion, so that the limits are smooth lines.

    References
    ----------
    .. [1] Spiegelhalter, D. J. (2005). Funnel plots for comparing institutional performance. Statistics in
       Medicine 24.
    """
    common, effect = columns.positive(rate, name="rate"), columns.inflation(design_effect)
    level = columns.share(confidence, name="confidence")
    time = columns.amounts(exposure, name="exposure")
    if not (time > 0).all():
        raise ValueError("exposure has a value of zero: nothing was watched there, so there is no rate.")
    due = common * time / effect
    tails = (1 - level) / 2, (1 + level) / 2
    low, high = (np.asarray(np.maximum(0.0, _between_counts(tail, due)) / due * common) for tail in tails)
    return low, high


def _between_counts(tail: float, due: FloatArray) -> FloatArray:
    """Interpolated Poisson quantiles: the step between two counts is shared out in proportion."""
    # Beyond that the distribution is normal to more digits than it can be computed with.
    many = due > MANY
    few = np.where(many, 1.0, due)
    count = poisson_quantile(tail, few)
    reached = poisson_share(count, few)
    between = count - (reached - tail) / poisson_chance(count, few)
    return np.asarray(np.where(many, due + normal_quantile(tail) * np.sqrt(due), between))
