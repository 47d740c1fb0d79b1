"""Seeded chance, in the words of the scenario: shares, weights and ranges.

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
    """A stream of chance that gives the same answers for the same seed."""

    generator: np.random.Generator

    @classmethod
    def streams(cls, seed: int, *, count: int) -> list[Dice]:
        """Give independent streams of one seed: drawing more from one leaves the others as they are."""
        return [cls(np.random.default_rng(child)) for child in np.random.SeedSequence(seed).spawn(count)]

    def happens(self, share: float) -> bool:
        """Say yes in this share of cases."""
        return bool(self.generator.random() < share)

    def one_of(self, things: Sequence[Thing]) -> Thing:
        """Choose one thing, each as likely as the others."""
        return things[int(self.generator.integers(len(things)))]

    def some_of(self, things: Sequence[Thing], count: int) -> list[Thing]:
        """Choose a number of different things (all of them where there are fewer), in their own order."""
        chosen = self.generator.choice(len(things), size=min(count, len(things)), replace=False)
        return [things[index] for index in sorted(int(index) for index in chosen)]

    def weighted(self, weights: Mapping[str, float]) -> str:
        """Choose one name, each as likely as its weight says."""
        names = list(weights)
        bounds = np.cumsum([weights[name] for name in names])
        index = np.searchsorted(bounds, self.generator.random() * bounds[-1], side="right")
        return names[int(index)]

    def between(self, low: float, high: float) -> float:
        """Give a number of a range, each as likely as the others."""
        return float(self.generator.uniform(low, high))

    def whole(self, low: int, high: int) -> int:
        """Give a whole number from ``low`` to ``high``, both included."""
        return int(self.generator.integers(low, high + 1))

    def factor(self, variance: float) -> float:
        """Give a gamma-distributed factor around one with this variance."""
        return float(self.generator.gamma(1 / variance, variance))
