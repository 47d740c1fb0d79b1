"""Failures and time at risk added up by site, because the site is the piece of evidence."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.lifetimes import columns
from servicedesk.reports.lifetimes.columns import FloatArray

FEWEST_CLUSTERS = 3
"""With fewer sites than this their spread says nothing, so no design effect is estimated."""


class SiteTotals(NamedTuple):
    """Failures, time at risk and expected failures of each site (within each group)."""

    events: FloatArray
    exposure: FloatArray
    expected: FloatArray


def watched_counts(
    events: ArrayLike, exposure: ArrayLike, *, names: tuple[str, str]
) -> tuple[FloatArray, FloatArray]:
    """Return failures beside their time at risk, with none where nothing was watched."""
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
    """Add up the rows of each site, holding them against the rate of their own group."""
    number, time = watched_counts(events, exposure, names=("events", "exposure"))
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
    """Give the ratio of the sites' spread to the Poisson spread, NaN where it cannot be estimated."""
    number, sites = totals.events.sum(), totals.events.size
    if number == 0 or sites < FEWEST_CLUSTERS:
        return float("nan")
    return float(sites / (sites - 1) * ((totals.events - totals.expected) ** 2).sum() / number)
