"""A figure together with the limits it may lie between."""

from __future__ import annotations

from typing import Any


class Estimate(float):
    """A figure that carries its interval and can be used like the plain number it is.

    Parameters
    ----------
    value : float
        The figure; NaN where the records do not reach it.
    low, high : float
        The limits of its interval; NaN where the records do not reach them.
    """

    __slots__ = ("high", "low")

    low: float
    high: float

    def __new__(cls, value: float, *, low: float, high: float) -> Estimate:
        """Join a figure to its limits."""
        self = super().__new__(cls, value)
        object.__setattr__(self, "low", low)
        object.__setattr__(self, "high", high)
        return self

    def __setattr__(self, name: str, value: Any) -> None:
        """Refuse to change: a result stays what was computed."""
        raise AttributeError(f"An estimate cannot be changed, so {name} stays as it is.")

    def __getnewargs_ex__(self) -> tuple[tuple[float], dict[str, float]]:
        """Let copies and pickles keep the limits."""
        return (float(self),), {"low": self.low, "high": self.high}

    def __getstate__(self) -> None:
        """Say that there is nothing to restore besides what ``__new__`` is given."""

    def __repr__(self) -> str:
        """Show the figure with its limits."""
        return f"Estimate({float(self)!r}, low={self.low!r}, high={self.high!r})"
