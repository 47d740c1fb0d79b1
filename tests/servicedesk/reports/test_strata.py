"""Time and failures told apart by sun, color and age."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.reports.histories import CountingRows
from servicedesk.reports.rates.strata import AGE_ENDS, AGES, Traits, tell_strata_apart

SUNS = ["full sun", "some sun", "little sun", "sun not recorded"]
spans = st.tuples(st.integers(0, 5000), st.integers(1, 6000)).map(lambda p: (p[0], p[0] + p[1]))


@given(
    st.lists(
        st.tuples(spans, st.integers(0, 3), st.integers(0, 1), st.integers(0, 4)), min_size=1, max_size=12
    )
)
def test_days_and_failures_fall_where_a_walk_day_by_day_puts_them(
    drawn: list[tuple[tuple[int, int], int, int, int]],
) -> None:
    size = len(drawn)
    item = np.arange(size)
    traits = Traits(item, item % 3, item % 2, SUNS, ["white", "dark"], [*range(4)], ["white", "dark"])
    rows = CountingRows(
        start=np.array([span[0] for span, *_ in drawn], dtype=float),
        stop=np.array([span[1] for span, *_ in drawn], dtype=float),
        event=np.array([count for _, count, *_ in drawn]),
        item=item,
        site=np.array([site for *_, site in drawn]),
    )
    which = np.array([kind for _, _, kind, _ in drawn])
    strata = tell_strata_apart(rows, which=which, traits=traits)
    observed = {
        (int(w), int(s), int(sun), int(color), int(age)): (days, int(events))
        for w, s, sun, color, age, days, events in zip(
            strata.which,
            strata.site,
            strata.sun,
            strata.color,
            strata.age,
            strata.days,
            strata.events,
            strict=True,
        )
    }
    expected: dict[tuple[int, ...], tuple[float, int]] = {}
    for number, ((start, stop), count, kind, site) in enumerate(drawn):
        for band in range(len(AGES)):
            days = min(stop, AGE_ENDS[band + 1]) - max(start, AGE_ENDS[band])
            if days <= 0:
                continue
            key = (kind, site, number % 3, number % 2, band)
            before = expected.get(key, (0.0, 0))
            here = count if AGE_ENDS[band] < stop <= AGE_ENDS[band + 1] else 0
            expected[key] = (before[0] + days, before[1] + here)
    assert set(observed) == set(expected)
    for key, (days, events) in expected.items():
        assert observed[key] == (pytest.approx(days), events)
    _, events, days = strata.by_stratum()
    assert events.sum() == rows.event.sum()
    assert days.sum() == pytest.approx((rows.stop - rows.start).sum())
    for trait in ("sun", "color", "age"):
        shares = strata.shares(trait)
        assert [share for share in shares.sum(axis=1) if share] == pytest.approx(
            [1.0] * len(set(which.tolist()))
        )
