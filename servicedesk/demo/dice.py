"""Seeded random numbers, in the terms of the scenario: shares, weights and ranges.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

Thing = TypeVar("Thing")


@dataclass(frozen=True, slots=True)
class Dice:
    """Random generator with the same results for the same seed."""

    generator: np.random.Generator

    @classmethod
    def streams(cls, seed: int, *, count: int) -> list[Dice]:
        """Independent streams of one seed: drawing more from one leaves the others as they are."""
        return [cls(np.random.default_rng(child)) for child in np.random.SeedSequence(seed).spawn(count)]

    def happens(self, share: float) -> bool:
        """Bernoulli draw with this probability."""
        return bool(self.generator.random() < share)

    def one_of(self, things: Sequence[Thing]) -> Thing:
        """Uniform draw of one item."""
        return things[int(self.generator.integers(len(things)))]

    def some_of(self, things: Sequence[Thing], count: int) -> list[Thing]:
        """Uniform draw of distinct items (all of them where there are fewer), in their own order."""
        chosen = self.generator.choice(len(things), size=min(count, len(things)), replace=False)
        return [things[index] for index in sorted(int(index) for index in chosen)]

    def weighted(self, weights: Mapping[str, float]) -> str:
        """Weighted draw of one name."""
        names = list(weights)
        bounds = np.cumsum([weights[name] for name in names])
        index = np.searchsorted(bounds, self.generator.random() * bounds[-1], side="right")
        return names[int(index)]

    def between(self, low: float, high: float) -> float:
        """Uniform draw from a range."""
        return float(self.generator.uniform(low, high))

    def whole(self, low: int, high: int) -> int:
        """Uniform integer from ``low`` to ``high``, both included."""
        return int(self.generator.integers(low, high + 1))

    def factor(self, variance: float) -> float:
        """Gamma draw with mean one and this variance (frailty)."""
        return float(self.generator.gamma(1 / variance, variance))
