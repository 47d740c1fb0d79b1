"""How likely each of several kinds of failure is, from counts that back off from few records to more.

A Dirichlet-multinomial at each level: the counts of a level are drawn towards the chances of the level above
it, as if ``strength`` more records had come in just those shares; the topmost level is drawn towards a prior.
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

import numpy as np
from numpy.typing import ArrayLike, NDArray

STRENGTH = 8.0


@dataclass(frozen=True, eq=False)
class Chances:
    """Chances of each kind, adding up to one, and how many records of the own level they rest on."""

    chances: NDArray[np.float64]
    own_records: int
    all_records: int


def backed_off_chances(
    prior: ArrayLike, levels: Sequence[ArrayLike], *, strength: float = STRENGTH
) -> Chances:
    """Reckon the chance of each kind of failure.

    Parameters
    ----------
    prior
        What each kind is worth before any record, in any unit; zero for kinds that can't be.
    levels
        Counts of each kind, from the widest level (all) to the own one; each includes what is below it.
    strength
        How many records the level above is worth.

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
    worth = np.asarray(prior, dtype=np.float64)
    if worth.ndim != 1 or not np.isfinite(worth).all() or (worth < 0).any() or not worth.sum() > 0:
        raise ValueError("Some kind of failure must be possible: give a prior that is positive somewhere.")
    if not strength > 0:
        raise ValueError(f"The level above must be worth something: {strength} records is too few.")
    possible = worth > 0
    chances = worth / worth.sum()
    counts = np.zeros_like(worth)
    most = 0
    for level in levels:
        counts = np.asarray(level, dtype=np.float64)
        if counts.shape != worth.shape:
            raise ValueError("Each level counts the same kinds of failure as the prior.")
        if not np.isfinite(counts).all() or (counts < 0).any():
            raise ValueError("A count is a number from 0 up.")
        counts = np.where(possible, counts, 0.0)
        most = max(most, int(counts.sum()))
        chances = (counts + strength * chances) / (counts.sum() + strength)
    return Chances(chances, own_records=int(counts.sum()), all_records=most)


def smallest_load(
    wanted: Sequence[Sequence[tuple[frozenset[int], float]]], *, level: float
) -> frozenset[int]:
    """Choose parts so that each stop can be finished at the first visit with a chance, taking few.

    Parameters
    ----------
    wanted
        For each stop the kinds of failure there may be: the parts each needs, and its chance.
    level
        The chance each stop must reach, from 0 to 1.

    Returns
    -------
    frozenset of int
        Parts chosen one by one, each time those of the failure that brings most chance for each part that is
        not aboard yet (greedy cover; at most a logarithmic factor above the least, Chvatal 1979).
    """
    if not 0 <= level <= 1:
        raise ValueError("The chance to reach runs from 0 to 1.")
    aboard: set[int] = set()
    for stop in wanted:
        while (have := _reached(stop, aboard)) < level - 1e-9:
            options = [
                (chance / len(parts - aboard), -len(parts - aboard), sorted(parts))
                for parts, chance in stop
                if parts - aboard and chance > 0
            ]
            if not options:
                break
            aboard |= set(max(options)[2])
            if _reached(stop, aboard) <= have:
                break
    return frozenset(aboard)


def _reached(stop: Sequence[tuple[frozenset[int], float]], aboard: set[int]) -> float:
    return sum(chance for parts, chance in stop if parts <= aboard)
