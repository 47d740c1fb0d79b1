"""Failure-mode probabilities from counts that back off from the narrowest level to the widest.

A Dirichlet-multinomial at each level: the counts of a level are shrunk toward the chances of the level above
it, as if ``strength`` more records had come in just those shares; the topmost level is shrunk toward a prior.
With no record at all the answer is the prior; with very many of the own level it is their shares.

References
----------
D. J. C. MacKay and L. C. Bauman Peto, "A hierarchical Dirichlet language model", Natural Language Engineering
1 (1995), 289-308: the backing off. Gelman et al., Bayesian Data Analysis, 3rd ed., section 3.4: the posterior
mean of a multinomial with a Dirichlet prior is (count + a_i) / (n + a).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import isfinite

STRENGTH = 8.0


@dataclass(frozen=True)
class Chances:
    """Probabilities of each kind, summing to one, and the number of records of the own level behind them."""

    chances: tuple[float, ...]
    own_records: int
    all_records: int


def backed_off_chances(
    prior: Sequence[float], levels: Sequence[Sequence[float]], *, strength: float = STRENGTH
) -> Chances:
    """Posterior mean probabilities of each kind of failure, by hierarchical Dirichlet back-off.

    Parameters
    ----------
    prior
        Prior weight of each kind, in any unit; zero for kinds that cannot be.
    levels
        Counts of each kind, from the widest level (all) to the own one; each includes what is below it.
    strength
        Number of records that the level above counts as (Dirichlet concentration).

    Returns
    -------
    Chances
        Zero where the prior is zero.

    Raises
    ------
    ValueError
        When the prior is nowhere positive, a count is negative, shapes differ, or the strength is not
        positive.
    """
    whole = sum(prior)
    if not all(isfinite(worth) and worth >= 0 for worth in prior) or not whole > 0:
        raise ValueError("Some kind of failure must be possible: give a prior that is positive somewhere.")
    if not strength > 0:
        raise ValueError(f"The level above must be worth something: {strength} records is too few.")
    chances = [worth / whole for worth in prior]
    own = most = 0.0
    for level in levels:
        if len(level) != len(prior):
            raise ValueError("Each level counts the same kinds of failure as the prior.")
        if not all(isfinite(number) and number >= 0 for number in level):
            raise ValueError("A count is a number from 0 up.")
        counts = [number if worth > 0 else 0.0 for number, worth in zip(level, prior, strict=True)]
        own = sum(counts)
        most = max(most, own)
        chances = [
            (number + strength * chance) / (own + strength)
            for number, chance in zip(counts, chances, strict=True)
        ]
    return Chances(tuple(chances), own_records=int(own), all_records=int(most))


FEW_PARTS = 14
"""Up to this many different parts every load is tried; beyond, a greedy cover is used."""


def smallest_load(
    wanted: Sequence[Sequence[tuple[frozenset[int], float]]], *, level: float
) -> frozenset[int]:
    """Smallest set of parts with which each stop reaches a first-time fix probability.

    Parameters
    ----------
    wanted
        For each stop the possible kinds of failure: the parts each needs, and its chance.
    level
        The chance each stop must reach, from 0 to 1; a stop that cannot reach it even with all parts must
        reach what it can.

    Returns
    -------
    frozenset of int
        The smallest set; among equal ones, that with the greatest sum of chances over all stops. With more
        than `FEW_PARTS` different parts it is built one failure at a time, each time by the parts of the
        failure with the most chance for each part not aboard yet (greedy cover: at most a logarithmic factor
        above the least, Chvatal 1979).

    Raises
    ------
    ValueError
        When the level is not between 0 and 1.
    """
    if not 0 <= level <= 1:
        raise ValueError("The chance to reach runs from 0 to 1.")
    every = frozenset(part for stop in wanted for parts, _ in stop for part in parts)
    goals = [min(level, _reached(stop, every)) - 1e-9 for stop in wanted]
    if len(every) > FEW_PARTS:
        return _greedy_load(wanted, goals)
    for size in range(len(every) + 1):
        loads = [
            frozenset(load)
            for load in combinations(sorted(every), size)
            if all(_reached(stop, frozenset(load)) >= goal for stop, goal in zip(wanted, goals, strict=True))
        ]
        if loads:
            return max(loads, key=lambda load: sum(_reached(stop, load) for stop in wanted))
    return every


def _greedy_load(
    wanted: Sequence[Sequence[tuple[frozenset[int], float]]], goals: Sequence[float]
) -> frozenset[int]:
    aboard: frozenset[int] = frozenset()
    for stop, goal in zip(wanted, goals, strict=True):
        while _reached(stop, aboard) < goal:
            _, _, parts = max(
                (chance / len(parts - aboard), -len(parts - aboard), sorted(parts))
                for parts, chance in stop
                if parts - aboard
            )
            aboard |= frozenset(parts)
    return aboard


def _reached(stop: Sequence[tuple[frozenset[int], float]], aboard: frozenset[int]) -> float:
    return sum(chance for parts, chance in stop if parts <= aboard)
