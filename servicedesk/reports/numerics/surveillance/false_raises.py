"""Expected false flags a year of the nightly surveillance."""

from __future__ import annotations

import numpy as np
from scipy import special

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray
from servicedesk.reports.numerics.counts.site_variance import Cells
from servicedesk.reports.numerics.counts.unlike_sites import waiting
from servicedesk.reports.numerics.distributions import (
    negative_binomial_chance,
    negative_binomial_upper_quantile,
)
from servicedesk.reports.numerics.surveillance.flags import FEWEST_EVENTS, FEWEST_SITES


def raises_over_all(cells: Cells, a_year: FloatArray, *, variance: float, chance: float) -> float:
    """Expected flags a year, over all groups, when every group fails like all others.

    Parameters
    ----------
    cells
        Failures expected of each group at each site until now.
    a_year
        Failures a year expected of each group from now on.
    variance
        Of the gamma site effects of mean one.
    chance
        P-value at or below which a single group is flagged.

    Notes
    -----
    A flag is raised by the failure that makes the group's count large enough. With random site effects the
    count is negative binomial, and a group one failure short is likely to have sites of high effect: from
    there its next failure comes at the rate of a Polya process. Failures that all happened at one site raise
    no flag.
    """
    expected = np.bincount(cells.group, weights=cells.expected, minlength=cells.groups)
    others = expected.sum() - expected
    sites = np.bincount(cells.group, minlength=cells.groups)
    tested = (expected > 0) & (others > 0) & (sites >= FEWEST_SITES)
    mean, others = np.where(tested, expected, np.nan), np.where(tested, others, np.nan)
    size, _ = waiting(others, due=mean, variance=variance * cells.felt())
    share = size / (size + mean)
    enough = np.maximum(FEWEST_EVENTS, negative_binomial_upper_quantile(chance, size, share) + 1)
    short = negative_binomial_chance(enough - 1, size, share)
    next_one = a_year * (size + enough - 1) / (size + mean)
    elsewhere = 1 - _all_at_one_site(cells, enough, variance=variance)
    return float(np.nansum(short * next_one * elsewhere))


def _all_at_one_site(cells: Cells, number: FloatArray, *, variance: float) -> FloatArray:
    """Chance that ``number`` failures of each group are all at one site."""
    own = np.bincount(cells.group, weights=cells.expected, minlength=cells.groups)
    with np.errstate(divide="ignore", invalid="ignore"):
        share, count = cells.expected / own[cells.group], number[cells.group]
        if variance == 0:
            chance = share**count
        else:
            # Under gamma effects the counts are Dirichlet-multinomial, each site weighted by its expectation.
            whole = (np.bincount(cells.group, minlength=cells.groups) / variance)[cells.group]
            chance = special.poch(share * whole, count) / special.poch(whole, count)
    return columns.sums(cells.group, weights=chance, size=cells.groups)
