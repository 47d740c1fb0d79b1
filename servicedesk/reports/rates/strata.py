"""Time at risk and failures of two types by site and strata of sun, color and age.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.histories import CountingRows, Ints
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR

Floats = NDArray[np.float64]

AGES: Final = ("under 2 years old", "2 to 5 years old", "5 to 10 years old", "over 10 years old")
AGE_ENDS: Final = (0.0, 2 * DAYS_PER_YEAR, 5 * DAYS_PER_YEAR, 10 * DAYS_PER_YEAR, np.inf)


@dataclass(frozen=True)
class Traits:
    """Sun and color of each item, in the order of ``item``, as indexes in ``suns`` and ``colors``.

    ``sun_keys`` and ``color_keys`` are their keys in URLs (None: not recorded).
    """

    item: Ints
    sun: Ints
    color: Ints
    suns: Sequence[str]
    colors: Sequence[str]
    sun_keys: Sequence[str | int | None]
    color_keys: Sequence[str | int | None]


@dataclass(frozen=True, eq=False)
class Strata:
    """Days at risk and failures, one row a type, site, sun, color and age.

    ``which`` is 0 for the first type and 1 for the second; ``sun``, ``color`` and ``age`` are indexes in the
    names of `traits` and `AGES`.
    """

    which: Ints
    site: Ints
    sun: Ints
    color: Ints
    age: Ints
    days: Floats
    events: Ints
    traits: Traits

    def names(self, trait: str) -> Sequence[str]:
        """Names of the classes of a trait: sun, color or age."""
        return {"sun": self.traits.suns, "color": self.traits.colors, "age": AGES}[trait]

    def shares(self, trait: str) -> Floats:
        """Share of each type's days in each class of a trait: a row a type."""
        size = len(self.names(trait))
        days = _sums(self.which * size + getattr(self, trait), self.days, size=2 * size).reshape(2, size)
        whole = days.sum(axis=1, keepdims=True)
        return np.divide(days, whole, out=np.zeros_like(days), where=whole > 0)

    def places(self) -> Ints:
        """Index of the stratum of sun, color and age of each row."""
        keys = np.stack([self.sun, self.color, self.age], axis=1)
        return np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1).astype(np.int64)

    def shared_rows(self) -> NDArray[np.bool_]:
        """Mask of the rows of strata in which both types were at risk."""
        place = self.places()
        size = int(place.max(initial=-1)) + 1
        days = _sums(self.which * size + place, self.days, size=2 * size).reshape(2, size)
        both: NDArray[np.bool_] = np.logical_and(days[0] > 0, days[1] > 0)
        return both[place]

    def by_stratum(self) -> tuple[list[tuple[int, int, int]], Ints, Floats]:
        """Sums over sites by stratum.

        Returns
        -------
        strata : list of tuple
            Sun, color and age of each stratum.
        events, days : ndarray
            A row a type, a column a stratum.
        """
        keys = np.stack([self.sun, self.color, self.age], axis=1)
        strata, place = np.unique(keys, axis=0, return_inverse=True)
        cell = self.which * len(strata) + place.reshape(-1)
        events = _sums(cell, self.events, size=2 * len(strata)).reshape(2, -1)
        days = _sums(cell, self.days, size=2 * len(strata)).reshape(2, -1)
        return [(row[0], row[1], row[2]) for row in strata.tolist()], events.astype(np.int64), days


def tell_strata_apart(rows: CountingRows, *, which: Ints, traits: Traits) -> Strata:
    """Split spans at the ends of the age bands, and sum days and failures by stratum and site.

    Parameters
    ----------
    rows
        Spans at risk cut at every failure, ages in days.
    which
        The type of each span: 0 or 1.
    traits
        Sun and color of each item.
    """
    place = np.searchsorted(traits.item, rows.item)
    parts: list[tuple[Any, ...]] = []
    for band, (low, high) in enumerate(pairwise(AGE_ENDS)):
        days = np.minimum(rows.stop, high) - np.maximum(rows.start, low)
        inside = days > 0
        here = np.where((rows.stop > low) & (rows.stop <= high), rows.event, 0)
        parts.append(
            (
                which[inside],
                rows.site[inside],
                traits.sun[place[inside]],
                traits.color[place[inside]],
                np.full(int(inside.sum()), band),
                days[inside],
                here[inside],
            )
        )
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    keys, cell = np.unique(np.stack(columns[:5], axis=1), axis=0, return_inverse=True)
    size = len(keys)
    which, site, sun, color, age = keys.T.astype(np.int64)
    return Strata(
        which=which,
        site=site,
        sun=sun,
        color=color,
        age=age,
        days=_sums(cell, columns[5], size=size),
        events=_sums(cell, columns[6], size=size).astype(np.int64),
        traits=traits,
    )


def _sums(place: Ints, weights: Any, *, size: int) -> Floats:
    """Sums of weights by index."""
    return np.bincount(place.reshape(-1), weights=weights, minlength=size).astype(np.float64)
