"""Cluster-robust variance of a cumulative curve from the influence of each site."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import AnyArray, BoolArray, Codes, FloatArray, IntArray
from servicedesk.reports.numerics.distributions import normal_quantile, t_quantile

FEW_CLUSTERS = 30
"""Below this many sites limits use the t quantile, on one degree of freedom fewer than there are sites."""

ENTRY, EXIT, EVENT = 0, 1, 2
KINDS = 4
"""A step is an entry (0), an exit (1), an event of an item that stays (2) or an exit with an event (3)."""

CHANGE = np.array([1, -1, 0, -1])
"""By how much each kind of step changes the number of items at risk."""

KIND_BITS = 2

BLOCK = 1 << 15
"""Steps processed at a time: as many as stay in a processor's cache."""


class FollowUp(NamedTuple):
    """Follow-up on a ruler: at risk after ``start`` up to and including ``stop``, with events at ``stop``."""

    start: IntArray
    stop: IntArray
    events: IntArray | BoolArray
    cluster: Codes


class ClusterSpread(NamedTuple):
    """Variance after each mark of the ruler, sites at risk at each mark, and the total number of sites."""

    variance: FloatArray
    at_risk: IntArray
    clusters: int


def spread_by_cluster(watch: FollowUp, *, share: FloatArray, drift: FloatArray) -> ClusterSpread:
    """Cluster-robust variance of a cumulative curve from the influence of each site, at every age.

    Parameters
    ----------
    watch : FollowUp
        Spans and events.
    share : ndarray
        What one event at a mark adds to the curve.
    drift : ndarray
        What one item at risk is expected to have added up to and including a mark; zero at the first mark.

    Returns
    -------
    ClusterSpread

    Notes
    -----
    The influence of a site is ``w - y * drift``: an item entering at mark s adds ``drift[s]`` to ``w`` and 1
    to ``y``, an item leaving takes the same away, an event adds its share to ``w``. Both only change at
    steps, so the sum of ``(w - y * drift)^2`` over sites follows from three running sums of the steps in
    ascending order of site and mark. Items at risk from the first mark on are no steps: their site simply
    starts with them.

    References
    ----------
    .. [1] Lawless, J. F. and Nadeau, C. (1995). Some simple robust methods for the analysis of recurrent
       events. Technometrics 37.
    """
    marks = drift.shape[0]
    bits = int(marks - 1).bit_length() + KIND_BITS
    late = np.flatnonzero(watch.start > 0)
    cluster = watch.cluster.values
    entered_first = np.bincount(cluster, minlength=watch.cluster.size)
    entered_first -= np.bincount(cluster[late], minlength=watch.cluster.size)
    pull = np.stack([drift, -drift, share, share - drift], axis=1).ravel()
    sums = np.zeros((4, marks))
    sums[2:, 0] = (entered_first**2.0).sum(), (entered_first > 0).sum()
    clusters = 0
    for block in _blocks(_ordered_steps(watch, late=late, bits=bits), bits=bits):
        clusters += _add_block(sums, block, bits=bits, entered_first=entered_first, pull=pull)
    squares, products, counts, watched = np.cumsum(sums, axis=1)
    variance = squares - 2 * drift * products + drift**2 * counts
    at_risk = np.rint(np.concatenate([[0.0], watched[:-1]])).astype(np.int64)
    return ClusterSpread(np.maximum(variance, 0.0), at_risk, clusters)


def critical_value(confidence: float, *, clusters: int | None = None) -> float:
    """Critical value of an interval: normal, or Student's t where there are few sites.

    Without a number of sites it is the normal quantile; one site does not identify a variance, so its
    critical value is NaN.
    """
    upper = (1 + confidence) / 2
    if clusters is None or clusters >= FEW_CLUSTERS:
        return float(normal_quantile(upper))
    return float(t_quantile(upper, clusters - 1)) if clusters > 1 else float("nan")


def _ordered_steps(watch: FollowUp, *, late: IntArray, bits: int) -> AnyArray:
    """Sorted steps, each packed into one integer (site, mark, kind).

    Where one span of a site begins at the mark at which the record before it ended, exit and entry cancel, so
    neither is a step. Sorted records of recurrent events shrink to half that way.
    """
    cluster, failed = watch.cluster.values, watch.events > 0
    # Integers half as wide sort twice as fast.
    keys = np.uint32 if (watch.cluster.size << bits) <= 1 << 32 else np.int64
    ordered: AnyArray = np.empty(late.size + cluster.size, dtype=keys)
    entries, exits = ordered[: late.size], ordered[late.size :]
    exits[:] = cluster
    exits <<= bits
    np.add(exits[late], (watch.start[late] << KIND_BITS) + ENTRY, out=entries, casting="unsafe")
    np.add(exits, watch.stop << KIND_BITS, out=exits, casting="unsafe")
    more = np.zeros(0, dtype=keys)
    if watch.events.dtype != np.bool_:
        more = np.repeat(exits + EVENT, np.maximum(watch.events - 1, 0)).astype(keys, copy=False)
    exits += EXIT + EVENT * failed.view(np.uint8)
    goes_on = (cluster[1:] == cluster[:-1]) & (watch.start[1:] == watch.stop[:-1])
    if goes_on.any():
        stays = np.append(goes_on, False)
        exits -= stays
        taken_up = np.append(False, goes_on)[late]
        ordered = np.concatenate([entries[~taken_up], exits[failed | ~stays]])
    if more.size:
        ordered = np.concatenate([ordered, more])
    ordered.sort()
    return ordered


def _blocks(steps: AnyArray, *, bits: int) -> Iterator[IntArray]:
    """Iterate over blocks of steps that contain whole sites."""
    begin = 0
    while begin < steps.shape[0]:
        last = int(steps[min(begin + BLOCK, steps.shape[0]) - 1]) >> bits
        # Search with the steps' own type: any other would have the whole column copied.
        end = int(np.searchsorted(steps, steps.dtype.type(((last + 1) << bits) - 1), side="right"))
        yield steps[begin:end].astype(np.int64, copy=False)
        begin = end


def _add_block(
    sums: FloatArray, block: IntArray, *, bits: int, entered_first: IntArray, pull: FloatArray
) -> int:
    """Add the changes at the steps of a block to the sums over sites, and return its number of sites."""
    marks = sums.shape[1]
    site, code = block >> bits, block & ((1 << bits) - 1)
    begins = np.concatenate([[0], np.flatnonzero(site[1:] != site[:-1]) + 1])
    place, change, pull_step = code >> KIND_BITS, CHANGE[code & (KINDS - 1)], pull[code]
    count_step = change.astype(np.float64)
    # Every item leaves in the end, so the running count of each site ends at zero by itself.
    change[begins] += entered_first[site[begins]]
    count_after = np.cumsum(change).astype(np.float64)
    count_before = count_after - count_step
    pull_after = _restarting_sum(pull_step, begins=begins)
    square = pull_step * (2 * pull_after - pull_step)
    product = pull_after * count_step + count_before * pull_step
    sums[0] += columns.sums(place, weights=square, size=marks)
    sums[1] += columns.sums(place, weights=product, size=marks)
    sums[2] += columns.sums(place, weights=count_step * (count_before + count_after), size=marks)
    turned = np.flatnonzero((count_after > 0) != (count_before > 0))
    sums[3] += columns.sums(place[turned], weights=count_step[turned], size=marks)
    return int(begins.size)


def _restarting_sum(steps: FloatArray, *, begins: IntArray) -> FloatArray:
    """Cumulative sum of the steps, restarted at each site."""
    whole = np.cumsum(steps)
    before = np.where(begins > 0, whole[begins - 1], 0.0)
    restarted: FloatArray = whole - np.repeat(before, np.diff(begins, append=steps.shape[0]))
    return restarted
