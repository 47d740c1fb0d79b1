"""Lives on the clock of care, against a walk day by day."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.reports.histories import Histories, Window
from servicedesk.reports.maintenance.since_maintenance import BAND_ENDS, BANDS, clock_from_maintenance
from servicedesk.reports.rates.strata import AGE_ENDS, AGES

DAYS = 1500
ITEM = st.tuples(
    st.lists(st.integers(0, DAYS), min_size=2, max_size=4, unique=True).map(sorted),
    st.lists(st.integers(0, DAYS), max_size=5, unique=True),
    st.lists(st.integers(1, DAYS), max_size=4, unique=True),
)


@given(st.lists(ITEM, min_size=1, max_size=5), st.sampled_from([(0, 10_000), (400, 1100)]))
def test_every_day_and_failure_falls_where_a_walk_puts_it(
    drawn: list[tuple[list[int], list[int], list[int]]], window: tuple[int, int]
) -> None:
    spans, maintenance, events = [], [], []
    days: dict[tuple[int, int, int], float] = defaultdict(float)
    failures: dict[tuple[int, int, int], int] = defaultdict(int)
    unknown = missed = 0.0
    for item, (ends, cared, failed) in enumerate(drawn):
        maintenance += [(item, age) for age in cared]
        for begin, end in zip(ends[::2], ends[1::2], strict=False):
            spans.append((item, begin, end))
            for age in range(begin + 1, end + 1):
                counts = window[0] < age <= window[1]
                if age in failed:
                    events.append((item, age))
                if not counts:
                    continue
                earlier = [each for each in cared if begin <= each < age]
                if not earlier:
                    unknown += 1
                    missed += age in failed
                    continue
                since = age - max(earlier)
                band = next(place for place in range(len(BANDS)) if since <= BAND_ENDS[place + 1])
                old = next(place for place in range(len(AGES)) if age <= AGE_ENDS[place + 1])
                days[item, old, band] += 1
                failures[item, old, band] += age in failed
    item, entry, exit = np.array(spans, dtype=np.int64).reshape(-1, 3).T
    hit = np.array(sorted(events), dtype=np.int64).reshape(-1, 2)
    histories = Histories(
        groups=[0],
        item=item,
        group=np.zeros(item.size, dtype=np.int64),
        site=item % 2,
        fitted=np.zeros(item.size, dtype=np.int64),
        entry=entry,
        exit=exit,
        event_item=hit[:, 0],
        event_age=hit[:, 1],
        event_mode=np.ones(len(hit), dtype=np.int64),
        event_count=np.ones(len(hit), dtype=np.int64),
        event_good=np.full(len(hit), -1, dtype=np.int64),
    )
    when = np.array(maintenance, dtype=np.int64).reshape(-1, 2)
    rows, unknown_days, unknown_events = clock_from_maintenance(
        histories, Window(*window), maintenance_item=when[:, 0], maintenance_age=when[:, 1]
    )
    assert unknown_days == unknown
    assert unknown_events == missed
    assert {*zip(rows.item.tolist(), rows.maintenance_on.tolist(), strict=True)} <= set(maintenance)
    observed_days: dict[tuple[int, int, int], float] = defaultdict(float)
    observed_failures: dict[tuple[int, int, int], int] = defaultdict(int)
    for band, part in enumerate(rows.in_bands()):
        for at, begin, end, count, old in zip(
            part.item, part.start, part.stop, part.event, part.age, strict=True
        ):
            observed_days[int(at), int(old), band] += end - begin
            observed_failures[int(at), int(old), band] += int(count)
    assert {key: count for key, count in observed_failures.items() if count} == {
        key: count for key, count in failures.items() if count
    }
    for key in {*days, *observed_days}:
        # A walk by whole days puts the day on which a band of age or time ends wholly on one side.
        assert abs(observed_days[key] - days[key]) <= 2 * len(maintenance) + 4
    assert sum(observed_days.values()) == sum(days.values())
    assert set(rows.stratum.tolist()) <= {site * len(AGES) + age for site in (0, 1) for age in range(4)}
