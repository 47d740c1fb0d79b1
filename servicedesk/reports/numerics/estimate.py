"""An estimate with its interval, usable as a number."""

from __future__ import annotations

from typing import Any


class Estimate(float):
    """Float with the limits of its interval; immutable.

    Parameters
    ----------
    value : float
        The estimate; NaN where the records do not reach it.
    low, high : float
        The limits of its interval; NaN where the records do not reach them.
    """

    __slots__ = ("high", "low")

    low: float
    high: float

    def __new__(cls, value: float, *, low: float, high: float) -> Estimate:
        """Create an estimate with its limits."""
        self = super().__new__(cls, value)
        object.__setattr__(self, "low", low)
        object.__setattr__(self, "high", high)
        return self

    def __setattr__(self, name: str, value: Any) -> None:
        """Raise an AttributeError: an estimate is immutable."""
        raise AttributeError(f"An estimate cannot be changed, so {name} stays as it is.")

    def __getnewargs_ex__(self) -> tuple[tuple[float], dict[str, float]]:
        """Arguments of ``__new__`` for copies and pickles, limits included."""
        return (float(self),), {"low": self.low, "high": self.high}

    def __getstate__(self) -> None:
        """Return no state: ``__new__`` restores everything."""

    def __repr__(self) -> str:
        """Representation with the limits."""
        return f"Estimate({float(self)!r}, low={self.low!r}, high={self.high!r})"
