"""Range of ages with enough parts and sites at risk for a curve to be shown.

This module imports no Django.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class ShownAges:
    """Range of ages of a curve, in days: counted from ``start``, ends at ``stop``."""

    start: float
    stop: float


def shown_ages(
    entry: Floats, exit: Floats, site: Ints, *, to_start: int, to_go_on: int, sites: int
) -> ShownAges | None:
    """Range of ages over which a curve may be shown.

    Parameters
    ----------
    entry, exit : ndarray
        Ages in days between which parts were at risk, in halves of a day; spans of one part do not overlap.
    site : ndarray
        Site of each span.
    to_start, to_go_on : int
        Parts at risk with which a curve starts, and below which it ends. A fleet that never has ``to_start``
        at once starts with ``to_go_on``.
    sites : int
        Fewest sites with a part at risk throughout.

    Returns
    -------
    ShownAges or None
        From the first age with enough at risk up to the first shortfall; None where there never was enough.

    Notes
    -----
    With delayed entry the few parts at risk at an early age can all fail and hold the rest of a curve at
    zero, so a curve starts where enough are at risk.
    """
    if entry.size == 0:
        return None
    begin, end = np.rint(2 * entry).astype(np.int64), np.rint(2 * exit).astype(np.int64)
    size = int(end.max()) + 1
    parts = _at_risk(begin, end, size=size)
    places = _at_risk(*_unions(begin, end, site), size=size)
    if parts.max() < to_start:
        to_start = to_go_on
    enough = (parts >= to_start) & (places >= sites)
    if not enough.any():
        return None
    start = int(np.argmax(enough))
    short = (parts[start:] < to_go_on) | (places[start:] < sites)
    # Nobody is at risk after the last exit, so a shortfall always comes.
    return ShownAges(start / 2, (start + int(np.argmax(short))) / 2)


def _at_risk(begin: Ints, end: Ints, *, size: int) -> Ints:
    """Number of spans that cover each half day; the first half day ends at age one half."""
    change = np.bincount(begin, minlength=size) - np.bincount(end, minlength=size)
    return np.cumsum(change)


def _unions(begin: Ints, end: Ints, site: Ints) -> tuple[Ints, Ints]:
    """Union of the spans of each site, so that a site counts once however many of its parts are at risk."""
    order = np.lexsort((begin, site))
    begin, end = begin[order], end[order]
    _, rank = np.unique(site[order], return_inverse=True)
    step = int(end.max()) + 1
    reach = np.maximum.accumulate(rank * step + end)
    new = np.ones(begin.size, dtype=np.bool_)
    new[1:] = rank[1:] * step + begin[1:] > reach[:-1]
    new[1:] |= rank[1:] != rank[:-1]
    starts = np.flatnonzero(new)
    ends = np.append(starts[1:], begin.size) - 1
    return begin[starts], reach[ends] - rank[ends] * step
