"""Tail probabilities and limits of a group's failures against all others', under gamma site effects."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy import special

from servicedesk.reports.numerics.columns import FloatArray
from servicedesk.reports.numerics.counts import exact
from servicedesk.reports.numerics.counts.site_variance import Cells

DRAWS: Final = 20_000

MOST_SITES: Final = 64
"""A group at more sites than this is drawn as a whole: the sum of that many effects is close to gamma."""

SEED: Final = 20_080
"""Fixed, so that the same records give the same answer every night."""


def draw_ratios(cells: Cells, place: int, *, variance: float) -> FloatArray:
    """Simulate the ratio of a group's rate to all others' under gamma site effects.

    Parameters
    ----------
    cells
        Expected failures of each group at each site.
    place
        Index of the group.
    variance
        Of the gamma site effects of mean one; above zero.

    Returns
    -------
    ndarray
        One a draw.

    Notes
    -----
    One effect is drawn for a site: it acts on the group and on the others there alike. Sites of the others
    only are drawn together, as one gamma with the mean and variance of their sum.
    """
    rng = np.random.default_rng(SEED)
    mine = cells.group == place
    if mine.sum() > MOST_SITES:
        return _gamma(rng, mean=1.0, variance=variance * float(cells.felt()[place]), size=DRAWS)
    by_site = cells.by_site
    own = cells.expected[mine]
    beside = by_site[cells.site[mine]] - own
    elsewhere = np.delete(by_site, cells.site[mine])
    effects = rng.gamma(1 / variance, variance, size=(DRAWS, own.size))
    rest = _gamma(
        rng, mean=float(elsewhere.sum()), variance=variance * float((elsewhere**2).sum()), size=DRAWS
    )
    others = (effects @ beside + rest) / (by_site.sum() - own.sum())
    with np.errstate(divide="ignore"):
        return np.asarray(effects @ own / own.sum() / others)


def drawn_chance(number: float, others: float, *, due: float, ratios: FloatArray) -> float:
    """Binomial upper tail of a group's failures among all, averaged over simulated site effects.

    Parameters
    ----------
    number, others
        Failures of the group and of all others.
    due
        Failures expected of the group if it failed like all others.
    ratios
        As from `draw_ratios`.

    Notes
    -----
    Given the site effects and the failures in all, those of the group are binomial, so the counts need no
    drawing (Rao and Blackwell).

    References
    ----------
    .. [1] Przyborowski, J. and Wilenski, H. (1940). Homogeneity of results in testing samples from Poisson
       series. Biometrika 31.
    """
    share = due * ratios / (due * ratios + others)
    return float(exact.chances_of_as_many(number, others, part=share).mean())


def waiting(
    others: FloatArray, *, due: FloatArray, variance: FloatArray | float
) -> tuple[FloatArray, FloatArray]:
    """Size and mean of the negative binomial count of a group's failures until the others' next failure.

    Parameters
    ----------
    others, due
        Failures of all others, and those expected of the group if it failed like them.
    variance
        Of the group's ratio to the others, from the effects of its sites.

    Notes
    -----
    The effect of the sites is taken as gamma; times the gamma waiting time of the others it is taken as gamma
    again, matched by mean and variance. With sites all alike nothing is approximate: the tail of the count is
    that of the binomial given all failures.
    """
    size = 1 / (variance + (1 + variance) / (others + 1))
    return size, due * (others + 1) / others


def chance_while_waiting(
    number: FloatArray, others: FloatArray, *, due: FloatArray, variance: FloatArray | float
) -> FloatArray:
    """Negative binomial upper tail of each group's failures, by `waiting`; a little too small far out."""
    size, mean = waiting(others, due=due, variance=variance)
    return exact.chances_of_as_many(number, size - 1, part=mean / (mean + size))


def ratio_limits(
    number: FloatArray,
    others: FloatArray,
    *,
    due: FloatArray,
    variance: FloatArray | float,
    confidence: float,
) -> tuple[FloatArray, FloatArray]:
    """Confidence limits of the rate ratio of each group to all others, by `waiting`."""
    tail = (1 - confidence) / 2
    size, mean = waiting(others, due=due, variance=variance)
    share = np.where(number > 0, special.betaincinv(np.maximum(number, 1), size, tail), 0.0)
    low = share / (1 - share) * size / mean
    # The upper limit waits for one failure less of the others, as the upper limit of a proportion does.
    size = 1 / (variance + (1 + variance) / others)
    share = special.betainccinv(number + 1, size, tail)
    with np.errstate(divide="ignore"):
        return low, share / (1 - share) * size / due


def _gamma(rng: np.random.Generator, *, mean: float, variance: float, size: int) -> FloatArray:
    if mean <= 0 or variance <= 0:
        return np.full(size, mean)
    return rng.gamma(mean**2 / variance, variance / mean, size=size)
