"""Distribution of reporting delays, estimated from right-truncated records."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray


@dataclass(frozen=True, eq=False)
class Delays:
    """Distribution function of the reporting delay, in days.

    ``day`` ascends; ``share`` is the share recorded within each, and one from the last on.
    """

    day: FloatArray
    share: FloatArray

    def known_within(self, days: ArrayLike) -> FloatArray:
        """Share of failures recorded within each number of days."""
        place = np.searchsorted(self.day, np.asarray(days), side="right")
        shares: FloatArray = np.concatenate([[0.0], self.share])[place]
        return shares

    def known_on_average(self, begin: float, end: float) -> float:
        """Average share recorded so far of the failures found between ``begin`` and ``end`` days ago."""
        return float(self.known_within(np.arange(begin, end)).mean())

    def days_until(self, share: float) -> float:
        """Quantile of the delay: days within which a share of the failures is recorded."""
        return float(self.day[int(np.argmax(self.share >= share))])


def reporting_delays(delay: ArrayLike, room: ArrayLike) -> Delays:
    """Product-limit estimate of the reporting delay under right truncation (in reversed time).

    Parameters
    ----------
    delay : array_like
        Whole days from finding to recording.
    room : array_like
        Whole days from finding until the records were read: the truncation time of the delay.

    Returns
    -------
    Delays
        Conditional on a failure being recorded within the longest observable delay.

    Raises
    ------
    ValueError
        If nothing is recorded, a column is bad, or a delay is longer than its truncation time.

    Notes
    -----
    Product limit in reversed time: of failures truncated no earlier than ``d`` that came within ``d``, the
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
