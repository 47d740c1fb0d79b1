"""How late failures are written down, from those that have been."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray


@dataclass(frozen=True, eq=False)
class Delays:
    """The share of failures that are written down within so many days.

    ``day`` ascends; ``share`` is that within each, and one from the last on.
    """

    day: FloatArray
    share: FloatArray

    def known_within(self, days: ArrayLike) -> FloatArray:
        """Give the share of failures written down within some numbers of days."""
        place = np.searchsorted(self.day, np.asarray(days), side="right")
        shares: FloatArray = np.concatenate([[0.0], self.share])[place]
        return shares

    def known_on_average(self, begin: float, end: float) -> float:
        """Give the share of failures found between ``begin`` and ``end`` days ago that are written down."""
        return float(self.known_within(np.arange(begin, end)).mean())

    def days_until(self, share: float) -> float:
        """Give the days within which so large a share is written down."""
        return float(self.day[int(np.argmax(self.share >= share))])


def reporting_delays(delay: ArrayLike, room: ArrayLike) -> Delays:
    """Estimate how late failures are written down from those that are written down so far.

    Parameters
    ----------
    delay : array_like
        Whole days from finding to writing down.
    room : array_like
        Whole days from finding until the records were read: no delay above it could have been seen.

    Returns
    -------
    Delays
        Given that a failure is written down within the longest delay that could be seen.

    Raises
    ------
    ValueError
        If nothing is written down, a column is bad, or a delay is longer than its room.

    Notes
    -----
    Product limit in reversed time: of failures with room for a delay of ``d`` that came within ``d``, the
    share that came on day ``d`` exactly.

    References
    ----------
    .. [1] Lagakos, S. W., Barraj, L. M. and De Gruttola, V. (1988). Nonparametric analysis of truncated
       survival data, with application to AIDS. Biometrika 75.
    .. [2] Kalbfleisch, J. D., Lawless, J. F. and Robinson, J. A. (1991). Methods for the analysis and
       prediction of warranty claims. Technometrics 33.
    """
    late, most = columns.times(delay, name="delay"), columns.times(room, name="room")
    columns.same_length(delay=late, room=most)
    if late.size == 0:
        raise ValueError("delay is empty: nothing has been written down yet.")
    if (late > most).any():
        row = int(np.argmax(late > most))
        raise ValueError(f"delay {late[row]:g} is longer than its room of {most[row]:g} days.")
    day, number = np.unique(late, return_counts=True)
    within = np.searchsorted(np.sort(late), day, side="right")
    too_short = np.searchsorted(np.sort(most), day, side="left")
    shares = np.append(np.cumprod((1 - number / (within - too_short))[:0:-1])[::-1], 1.0)
    return Delays(day.astype(np.float64), shares)
