"""A sentence that claims something, the case in which it is tried, and how often it came out right.

Every module beside this one lists its simulations under ``SIMULATIONS``. ``make bench`` runs them in full and
writes the table of docs/figures.md; the suite runs each with few fleets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import import_module
from math import isnan, nan, sqrt
from pathlib import Path
from pkgutil import iter_modules

import numpy as np

Fleet = Callable[[np.random.Generator], float]
"""Draws one fleet, asks the product, and says what came of it.

1 where the sentence was said (an error rate, a power) or where the range held the truth (a coverage), else 0;
NaN where nothing was said; any number where a mean is measured.
"""

MONTE_CARLO_ERRORS = 3.0
"""How many standard errors of the simulation a bound may be missed by."""


@dataclass(frozen=True, kw_only=True)
class Simulation:
    """One sentence in one case.

    Attributes
    ----------
    sentence, case
        What the page says, and the fleets in which it is tried.
    nominal
        What it promises: an error rate, a coverage, a mean; None for a power, which nobody promises.
    low, high
        Between which the result must lie.
    fleets, few
        How many fleets are drawn by the bench and by the suite.
    seed
        Of the generator of all its fleets.
    fleet
        Draws one fleet and judges it.
    """

    sentence: str
    case: str
    nominal: float | None
    low: float = 0.0
    high: float = 1.0
    fleets: int = 400
    few: int = 40
    seed: int
    fleet: Fleet

    def run(self, fleets: int) -> Result:
        """Draw fleets and average over those in which something was said."""
        rng = np.random.default_rng(self.seed)
        values = [float(self.fleet(rng)) for _ in range(fleets)]
        said = np.array([value for value in values if not isnan(value)])
        return Result(
            simulation=self,
            fleets=fleets,
            said=said.size,
            observed=float(said.mean()) if said.size else nan,
            spread=float(said.std()) if said.size else nan,
        )


@dataclass(frozen=True, kw_only=True)
class Result:
    """What a simulation came to: the mean over the fleets in which something was said, and their spread."""

    simulation: Simulation
    fleets: int
    said: int
    observed: float
    spread: float

    @property
    def within(self) -> bool:
        """Whether it lies within its bounds, give or take the error of the simulation."""
        if not self.said:
            return True
        low, high = self.simulation.low, self.simulation.high
        return low - self._slack(low) <= self.observed <= high + self._slack(high)

    def _slack(self, bound: float) -> float:
        """Give the error at a bound: of a share drawn from the bound itself, or of a mean as it spread."""
        share = 0 <= bound <= 1 and self.spread <= 0.5
        spread = max(sqrt(bound * (1 - bound)), self.spread) if share else self.spread
        return MONTE_CARLO_ERRORS * spread / sqrt(self.said)


def simulations() -> list[Simulation]:
    """Collect the simulations of all modules beside this one."""
    package = str(__package__)
    names = sorted(each.name for each in iter_modules([str(Path(__file__).parent)]))
    modules = [import_module(f"{package}.{name}") for name in names if not name.startswith("test_")]
    return [each for module in modules for each in getattr(module, "SIMULATIONS", ())]


def table(results: Iterable[Result]) -> str:
    """Write results as a table in Markdown."""
    lines = [
        "| sentence | case | nominal | observed | fleets | nothing said | seed |",
        "|---|---|---|---|---|---|---|",
    ]
    for each in results:
        made = each.simulation
        cells = (
            made.sentence,
            made.case,
            "–" if made.nominal is None else f"{made.nominal:g}",
            "–" if isnan(each.observed) else f"{each.observed:.3f}",
            f"{each.fleets}",
            f"{each.fleets - each.said}",
            f"{made.seed}",
        )
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)
