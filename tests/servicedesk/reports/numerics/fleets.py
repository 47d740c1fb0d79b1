"""Made-up fleets for the tests: parts in sites that share a frailty, taken over at any age."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.servicedesk.reports.numerics.naive import Row

unhurried = settings(max_examples=40, deadline=None)
"""Properties are tried on forty examples each, however long a busy machine takes for one."""


@dataclass(frozen=True)
class Fleet:
    """Columns of watched spans, whole-day ages or not, one row a part."""

    entry: NDArray[np.float64]
    exit: NDArray[np.float64]
    failed: NDArray[np.bool_]
    site: NDArray[np.int64]
    group: NDArray[np.int64]

    def rows(self) -> list[Row]:
        """Give the fleet as plain records."""
        columns = zip(self.entry, self.exit, self.failed, self.site, strict=True)
        return [(float(a), float(b), int(c), int(d)) for a, b, c, d in columns]

    def shuffled(self, order: NDArray[np.int64]) -> Fleet:
        """Give the same parts in another order."""
        return Fleet(
            *(column[order] for column in (self.entry, self.exit, self.failed, self.site, self.group))
        )


def make_fleet(seed: int, *, parts: int = 200, sites: int = 40, whole_days: bool = True) -> Fleet:
    """Make a fleet whose parts live about 1500 days, some taken over late, some still going."""
    rng = np.random.default_rng(seed)
    site = rng.integers(0, sites, parts)
    frailty = rng.gamma(2.0, 0.5, sites)[site]
    life = 1500 * (rng.exponential(size=parts) / frailty) ** (1 / 1.6)
    entry = np.where(rng.random(parts) < 0.5, 0.0, rng.uniform(0, 900, parts))
    life = np.maximum(life, entry + rng.uniform(1, 900, parts))
    leave = entry + rng.uniform(10, 2500, parts)
    out = np.minimum(life, leave)
    if whole_days:
        entry, out = np.floor(entry / 20) * 20, np.ceil(out / 20) * 20
    return Fleet(entry, out, life <= leave, site, site % 2)


@st.composite
def fleets(draw: st.DrawFn) -> Fleet:
    """Draw a small fleet with heavy ties, halves of days, and at least one part at risk."""
    size = draw(st.integers(2, 25))
    halves = st.integers(0, 16)
    ends = draw(st.lists(st.tuples(halves, halves), min_size=size, max_size=size))
    entry = np.array([min(pair) for pair in ends]) / 2
    exit = np.array([max(pair) for pair in ends]) / 2
    exit[0] += 1
    failed = draw(st.lists(st.booleans(), min_size=size, max_size=size))
    site = draw(st.lists(st.integers(0, 5), min_size=size, max_size=size))
    return Fleet(entry, exit, np.array(failed), np.array(site), np.array(site) % 2)
