"""Fleets of known truth as the product reads them: parts at sites, how long watched, and when they failed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.histories import Histories

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

YEAR = 365.25
TODAY = 737_000
"""An ordinal day on which the records are read."""


@dataclass(frozen=True)
class Slots:
    """Places for a part: their sites, the age in days that a part fitted first would have today, and how many
    times as often as elsewhere everything fails there.
    """

    site: Ints
    age: Floats
    frailty: Floats


def draw_slots(
    rng: np.random.Generator, *, sites: int, cv: float, years: float, most: int = 4, youngest: float = 0.0
) -> Slots:
    """Draw sites of one to ``most`` slots, fitted over some years; site effects are gamma with a given CV."""
    site = np.repeat(np.arange(sites), rng.integers(1, most + 1, sites))
    begun = rng.uniform(youngest, years, sites)[site]
    frailty = rng.gamma(1 / cv**2, cv**2, sites) if cv else np.ones(sites)
    return Slots(site, np.ceil(begun * YEAR), frailty[site])


def repaired(rng: np.random.Generator, slots: Slots, *, scale: float, shape: float) -> Histories:
    """Let parts be repaired and go on: ``(age / scale)**shape`` failures by an age in days."""
    number = rng.poisson(slots.frailty * (slots.age / scale) ** shape)
    item = np.repeat(np.arange(slots.age.size), number)
    age = np.ceil(slots.age[item] * rng.random(item.size) ** (1 / shape))
    return as_read(slots.site, slots.age, slots.age, item, age)


def replaced(rng: np.random.Generator, slots: Slots, *, scale: float, shape: float) -> Histories:
    """Let parts be replaced when they fail: Weibull lives one after the other until today."""
    site, old, left = slots.site, slots.frailty, slots.age
    rows = []
    while left.size:
        life = np.ceil(scale * (rng.exponential(size=left.size) / old) ** (1 / shape))
        failed = life < left
        rows.append(np.stack([site, left, np.minimum(life, left), failed]))
        site, old, left = site[failed], old[failed], (left - life)[failed]
    place, begun, end, exclusion_reason = np.concatenate(rows, axis=1)
    (item,) = np.nonzero(exclusion_reason)
    return as_read(place.astype(np.int64), begun, end, item, end[item])


def as_read(site: Ints, age: Floats, end: Floats, item: Ints, event_age: Floats) -> Histories:
    """Put parts of one type into the product's columns.

    Parameters
    ----------
    site, age, end
        One a part: its site, its age today (or what it would be), and the age up to which it was watched.
    item, event_age
        One a failure: its part and the part's age in whole days.
    """
    size = site.size
    keys, count = np.unique(np.stack([item, event_age.astype(np.int64)]), axis=1, return_counts=True)
    return Histories(
        groups=["part"],
        item=np.arange(size),
        group=np.zeros(size, dtype=np.int64),
        site=site,
        fitted=(TODAY - age).astype(np.int64),
        entry=np.zeros(size, dtype=np.int64),
        exit=end.astype(np.int64),
        event_item=keys[0],
        event_age=keys[1],
        event_mode=np.ones(count.size, dtype=np.int64),
        event_count=count,
        event_good=np.full(count.size, -1, dtype=np.int64),
    )
