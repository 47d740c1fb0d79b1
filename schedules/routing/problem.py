"""Vehicle routing problem: stops, the shifts that can take them, and the time between places.

Everything is counted in whole seconds on one axis that begins with the first day at midnight and knows no
changes of the clock: a day has 86,400 seconds, and noon is always 43,200 seconds into it.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DAY = 86_400
MINUTE = 60

Window = tuple[int, int]
"""The first and the last moment at which a stop may begin."""


@dataclass(frozen=True, kw_only=True)
class Stop:
    """One stop: a place, the time the work takes, and what it needs.

    Attributes
    ----------
    key
        Identifies it.
    place
        Its row in the travel times.
    seconds
        How long the work takes.
    prize
        Prize in seconds of driving that a visit may cost; higher for what is urgent or late.
    windows
        When it may begin; none means whenever a shift allows.
    level
        The skill it needs: only shifts of that level or a higher one can take it.
    persons
        One or two people, both from the beginning to the end.
    only
        The shifts that may take it; empty for all. A stop with ``at`` names the shifts that do.
    at
        The moment it begins where that is agreed; such a stop is never left out and never moved.
    load
        Capacity it takes in a van, in the unit of the shifts' ``room``.
    urgency
        The share of its prize that is lost with every day it waits (only where days can be chosen).
    soonest
        Whether it comes before all that is not agreed: at the earliest moment at which any shift can take it.
    """

    key: Hashable
    place: int
    seconds: int
    prize: int = 3600
    windows: tuple[Window, ...] = ()
    level: int = 0
    persons: int = 1
    only: frozenset[Hashable] = frozenset()
    at: int | None = None
    load: int = 0
    urgency: float = 0.0
    soonest: bool = False


@dataclass(frozen=True, kw_only=True)
class Shift:
    """One person's working time on one day: from home and back home between two moments."""

    key: Hashable
    person: Hashable
    home: int
    begins: int
    ends: int
    level: int = 0
    lunch: bool = False
    capacity: int | None = None

    @property
    def day(self) -> int:
        """Day of the axis it lies on."""
        return self.begins // DAY


@dataclass(frozen=True)
class Lunch:
    """The break of a long shift: how long, and from when to when of a day it may begin."""

    seconds: int = 30 * MINUTE
    earliest: int = 11 * 3600
    latest: int = 13 * 3600 + 30 * MINUTE

    def window(self, day: int) -> Window:
        """Window in which it begins on a day of the axis."""
        return day * DAY + self.earliest, day * DAY + self.latest


@dataclass(frozen=True, eq=False)
class Problem:
    """Stops, shifts and the seconds from each place to each other.

    Raises
    ------
    ValueError
        When the travel times are no square of whole seconds from 0 up with zeros between a place and itself,
        a stop or a shift is at no place of it, or a key comes twice.
    """

    stops: Sequence[Stop]
    shifts: Sequence[Shift]
    travel: NDArray[np.int64]
    lunch: Lunch = Lunch()

    def __post_init__(self) -> None:
        size = self.travel.shape[0] if self.travel.ndim == 2 else -1
        if self.travel.shape != (size, size) or self.travel.dtype.kind not in "iu":
            raise ValueError("Travel times are a square table of whole seconds, one row for each place.")
        if (self.travel < 0).any() or self.travel.diagonal().any():
            raise ValueError("Travel takes 0 seconds or more, and none from a place to itself.")
        for what, place in [(stop.key, stop.place) for stop in self.stops] + [
            (shift.key, shift.home) for shift in self.shifts
        ]:
            if not 0 <= place < size:
                raise ValueError(f"{what} is at place {place}, but the places run from 0 to {size - 1}.")
        for name, keys in (
            ("stop", [stop.key for stop in self.stops]),
            ("shift", [shift.key for shift in self.shifts]),
        ):
            if len(set(keys)) != len(keys):
                raise ValueError(f"A {name} comes twice: give each a key of its own.")

    def may_take(self, shift: Shift, stop: Stop) -> bool:
        """Whether a shift has the skill for a stop and is not ruled out for it."""
        return shift.level >= stop.level and (not stop.only or shift.key in stop.only)
