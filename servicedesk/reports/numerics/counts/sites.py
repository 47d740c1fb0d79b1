"""Failures and time at risk by site (the cluster), their dispersion, and the variance between sites."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray, IntArray

FEWEST_CLUSTERS = 3
"""With fewer sites than this no design effect is estimated."""

WILDEST = 1e3
"""Cap on the variance between sites: beyond it all failures of a group are at one site."""


class SiteTotals(NamedTuple):
    """Failures, time at risk and expected failures of each site, within each group."""

    events: FloatArray
    exposure: FloatArray
    expected: FloatArray


def counts_at_risk(
    events: ArrayLike, exposure: ArrayLike, *, names: tuple[str, str]
) -> tuple[FloatArray, FloatArray]:
    """Validate columns of failures and time at risk; a failure without time at risk raises a ValueError."""
    number, time = columns.amounts(events, name=names[0]), columns.amounts(exposure, name=names[1])
    columns.same_length(**{names[0]: number, names[1]: time})
    stray = (time == 0) & (number > 0)
    if stray.any():
        raise ValueError(
            f"{names[0]} has an event in row {int(np.argmax(stray))} where {names[1]} is zero; "
            "an event needs time at risk."
        )
    return number, time


def site_totals(
    events: ArrayLike, exposure: ArrayLike, cluster: ArrayLike, *, group: ArrayLike | None
) -> SiteTotals:
    """Sum failures, time at risk and failures expected at the group's rate, by site and group."""
    number, time = counts_at_risk(events, exposure, names=("events", "exposure"))
    site = columns.codes(cluster, name="cluster")
    columns.same_length(events=number, cluster=site.values)
    if time.sum() == 0:
        raise ValueError("exposure is zero in every row: nothing was watched, so there is no rate.")
    cell = site.values
    kinds = np.zeros(number.shape[0], dtype=np.int64)
    if group is not None:
        kinds, size = columns.codes(group, name="group")
        columns.same_length(events=number, group=kinds)
        cell = columns.codes(site.values * size + kinds, name="cluster").values
    group_time = columns.sums(kinds, weights=time)
    group_events = columns.sums(kinds, weights=number)
    rate = np.divide(group_events, group_time, out=np.zeros_like(group_time), where=group_time > 0)
    by_cell = [columns.sums(cell, weights=each) for each in (number, time, time * rate[kinds])]
    watched = by_cell[1] > 0
    events_by_cell, time_by_cell, expected_by_cell = (each[watched] for each in by_cell)
    return SiteTotals(events_by_cell, time_by_cell, expected_by_cell)


def spread(totals: SiteTotals) -> float:
    """Dispersion of site counts: their variance over the Poisson one, NaN where it cannot be estimated."""
    number, sites = totals.events.sum(), totals.events.size
    if number == 0 or sites < FEWEST_CLUSTERS:
        return float("nan")
    return float(sites / (sites - 1) * ((totals.events - totals.expected) ** 2).sum() / number)


def between_site_variance(events: FloatArray, exposure: FloatArray, group: IntArray) -> float:
    """Moment estimate of the variance of sites' rates within groups.

    Parameters
    ----------
    events, exposure : ndarray
        Failures and time at risk, one row a site and group; rows without time at risk do not count.
    group : ndarray
        Group of each row, as small integers.

    Returns
    -------
    float
        Variance of the sites' rates, each in units of the mean rate of its group: the square of their
        coefficient of variation, at most `WILDEST`. Zero where they differ no more than chance.

    Notes
    -----
    With ``w`` the shares of the sites in the time at risk of their group, ``n`` its failures, and ``c`` the
    variance, the sum of the squares ``(n_i - w_i n)**2`` has the expectation ``n (1 - sum w**2)`` by chance
    and ``c m**2 (sum w**2 - 2 sum w**3 + (sum w**2)**2)`` by the sites, ``m`` being the failures expected.
    ``m**2`` is estimated by ``n (n - 1) / (1 + c sum w**2)``, because a group happens to have sites that fail
    more or less than most; the groups' sums together give ``c``. One variance is taken for all groups.

    References
    ----------
    .. [1] Böhning, D., Malzahn, U., Sarol, J., Rattanasiri, S. and Biggeri, A. (2002). Efficient
       non-iterative and nonparametric estimation of heterogeneity variance for the standardized mortality
       ratio. Annals of the Institute of Statistical Mathematics 54.
    """
    time = columns.sums(group, weights=exposure)
    number = columns.sums(group, weights=events)
    share = np.divide(exposure, time[group], out=np.zeros_like(exposure), where=exposure > 0)
    squares, cubes = (columns.sums(group, weights=share**power) for power in (2, 3))
    seen = columns.sums(group, weights=(events - share * number[group]) ** 2)
    excess = float((seen - number * (1 - squares)).sum())
    weight = number * (number - 1) * (squares - 2 * cubes + squares**2)

    def missing(variance: float) -> float:
        return float((variance * weight / (1 + variance * squares)).sum()) - excess

    if excess <= 0:
        return 0.0
    if missing(WILDEST) <= 0:
        return WILDEST
    return float(optimize.brentq(missing, 0.0, WILDEST, xtol=1e-12))


def count_inflation(variance: float, *, rate: float, time: float, squares: float) -> float:
    """Variance inflation factor of a count from differences between sites.

    Parameters
    ----------
    variance : float
        Of the sites' rates, in units of their mean (see `between_site_variance`).
    rate : float
        Failures per unit of time at risk.
    time, squares : float
        Sum of the sites' times at risk and of the squares of them.
    """
    return 1 + variance * rate * squares / time
