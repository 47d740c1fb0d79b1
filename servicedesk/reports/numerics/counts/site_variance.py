"""Variance of gamma site effects by the method of moments, and its part in a group's ratio to the others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray, IntArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Cells:
    """Observed and expected failures of each group at each site.

    Attributes
    ----------
    events, expected : ndarray
        One row a pair of group and site with time at risk.
    group, site : ndarray
        Indexes of the two, from zero and without a gap among the sites.
    groups : int
        How many groups there are.
    """

    events: FloatArray
    expected: FloatArray
    group: IntArray
    site: IntArray
    groups: int

    @property
    def by_site(self) -> FloatArray:
        """Expected failures of each site, over all its groups."""
        return columns.sums(self.site, weights=self.expected)

    def moments(self) -> Moments:
        """Moments of observed against expected failures by site."""
        return site_moments(columns.sums(self.site, weights=self.events), self.by_site)

    def felt(self) -> FloatArray:
        """Variance of each group's ratio to the others, per unit of variance of the site effects.

        A site with the same share of the group as of the others adds nothing. NaN where nothing was expected
        of a group or of all others.
        """
        by_site = self.by_site
        own, own_square, mixed = (
            columns.sums(self.group, weights=self.expected * times, size=self.groups)
            for times in (1.0, self.expected, by_site[self.site])
        )
        others = by_site.sum() - own
        # Sums over sites of (own / all own - others / all others) squared, from its three terms.
        with np.errstate(divide="ignore", invalid="ignore"):
            felt: FloatArray = (
                own_square / own**2
                - 2 * (mixed - own_square) / (own * others)
                + ((by_site**2).sum() - 2 * mixed + own_square) / others**2
            )
        return np.where((own > 0) & (others > 0), np.maximum(felt, 0.0), np.nan)


@dataclass(frozen=True, kw_only=True)
class Moments:
    """Squared deviations of sites beyond those of chance, and their weight: the variance is the quotient."""

    above_chance: float
    weight: float

    @property
    def variance(self) -> float:
        """Variance of site effects of mean one: zero where sites differ no more than by chance."""
        return max(0.0, self.above_chance / self.weight) if self.weight > 0 else 0.0


def site_moments(events: FloatArray, expected: FloatArray) -> Moments:
    """Moments of observed against expected failures by site, for the variance by the method of moments.

    Parameters
    ----------
    events, expected : ndarray
        Failures of each site, and those expected from its time at risk; these are scaled to the total of the
        failures.

    Returns
    -------
    Moments

    Raises
    ------
    ValueError
        If columns differ in length or hold negative values.

    Notes
    -----
    A site of expectation e has variance ``e + c2 e^2`` when its effect is gamma with mean one and variance
    c2. The scaling takes a part of both away: ``E (n - e)^2 = e - e^2 / E + c2 (e^2 - 2 e^3 / E + e^2 S /
    E^2)`` with E the sum of e and S that of its squares. Summed over sites and solved for c2.

    References
    ----------
    .. [1] Breslow, N. E. (1984). Extra-Poisson variation in log-linear models. Applied Statistics 33.
    """
    number = columns.amounts(events, name="events")
    due = columns.amounts(expected, name="expected")
    columns.same_length(events=number, expected=due)
    if not (due.any() and number.any()):
        return Moments(above_chance=0.0, weight=0.0)
    due = due * number.sum() / due.sum()
    whole, square, cube = due.sum(), (due**2).sum(), (due**3).sum()
    return Moments(
        above_chance=float(((number - due) ** 2).sum() - whole + square / whole),
        weight=float(square - 2 * cube / whole + (square / whole) ** 2),
    )


def pooled_variance(moments: Iterable[Moments]) -> float:
    """Moment estimate of one variance of site effects, pooled over several comparisons."""
    each = list(moments)
    return Moments(
        above_chance=sum(one.above_chance for one in each), weight=sum(one.weight for one in each)
    ).variance
