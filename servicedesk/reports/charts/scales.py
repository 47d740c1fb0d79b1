"""Linear scales and ticks of axes that begin at zero."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10
from typing import Final

MOST_TICKS: Final = 5


@dataclass(frozen=True)
class Scale:
    """Linear scale from zero to ``top``, drawn from ``begin`` to ``end`` (which may be the smaller)."""

    top: float
    begin: float
    end: float

    def at(self, value: float) -> float:
        """Coordinate of a value."""
        return self.begin + (self.end - self.begin) * value / self.top

    def ticks(self) -> list[float]:
        """Values of the ticks, zero first."""
        step = tick_step(self.top)
        return [step * number for number in range(floor(self.top / step + 1e-9) + 1)]


def tick_step(top: float, *, most: int = MOST_TICKS) -> float:
    """Distance of ticks on an axis: 1, 2 or 5 times a power of ten, for at most ``most`` steps."""
    if top <= 0:
        raise ValueError(f"An axis from zero needs a top above zero, not {top:g}.")
    power = 10.0 ** floor(log10(top / most))
    return next(power * times for times in (1, 2, 5, 10, 20) if top / (power * times) <= most + 1e-9)


def nice_top(greatest: float) -> float:
    """End of an axis: the first tick not below the greatest value (1 where that is zero)."""
    if greatest <= 0:
        return 1.0
    step = tick_step(greatest)
    steps = floor(greatest / step + 1e-9)
    return step * steps if steps * step >= greatest * (1 - 1e-9) else step * (steps + 1)


def tick_words(value: float) -> str:
    """Format the label of a tick."""
    return f"{value:,.10g}" if value < 1e6 else f"{value:,.0f}"
