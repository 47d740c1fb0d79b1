"""Whether failures come faster with age: only said where two tests agree."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from servicedesk.reports.histories import CountingRows
from servicedesk.reports.rates.trends import Direction, read_trend


def fleet(shape: float, *, items: int = 40, seed: int = 1, gap: bool = False) -> CountingRows:
    """Draw repaired items at ten sites whose failures follow a power of age, cut at every failure."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[float, float, int, int, int]] = []
    for item in range(items):
        ages = np.unique(np.round(2000 * rng.random(rng.poisson(3)) ** (1 / shape)) + 1)
        if gap:
            ages = ages[(ages <= 880) | (ages > 900)]
        cuts = [*[(age, 1) for age in ages.tolist()], (2001.0, 0)]
        begin = 0.0
        for end, event in cuts:
            if gap and begin < 880 and end > 900:
                rows.append((begin, 880.0, 0, item, item % 10))
                begin = 900.0
            if end > begin:
                rows.append((begin, end, event, item, item % 10))
            begin = end
    start, stop, event, item_of, site = (np.array(column) for column in zip(*rows, strict=True))
    return CountingRows(start, stop, event.astype(np.int64), item_of.astype(np.int64), site.astype(np.int64))


@pytest.mark.parametrize(
    ("shape", "direction"), [(2.0, Direction.FASTER), (0.5, Direction.SLOWER), (1.0, Direction.UNCLEAR)]
)
def test_the_direction_is_that_of_the_shape(shape: float, direction: Direction) -> None:
    trend = read_trend(fleet(shape))
    assert trend.direction == direction
    assert trend.words == str(direction)
    assert trend.shape is not None
    assert trend.shape[1] < shape < trend.shape[2]


def test_laplaces_statistic_is_that_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 8.2.3.4, pooled over items: the sum of ages less half the windows, over its
    # standard error; windows of one item that do not meet are windows of their own.
    rows = fleet(1.0, gap=True)
    total = variance = 0.0
    ends: dict[tuple[int, float], tuple[float, list[float]]] = {}
    opened: dict[int, tuple[int, float]] = {}
    last: dict[int, float] = {}
    for begin, end, event, item in zip(rows.start, rows.stop, rows.event, rows.item, strict=True):
        if last.get(int(item)) != begin:
            opened[int(item)] = (int(item), float(begin))
            ends[opened[int(item)]] = (float(end), [])
        stop, ages = ends[opened[int(item)]]
        ends[opened[int(item)]] = (float(end), ages + [float(end)] * int(event))
        last[int(item)] = float(end)
    for (_, begin), (stop, ages) in ends.items():
        total += sum(ages) - len(ages) * (begin + stop) / 2
        variance += len(ages) * (stop - begin) ** 2 / 12
    trend = read_trend(rows)
    sites = np.bincount(rows.site, weights=rows.event)
    time = np.bincount(rows.site, weights=rows.stop - rows.start)
    expected = sites.sum() / time.sum() * time
    effect = max(1.0, 10 / 9 * float(((sites - expected) ** 2).sum()) / sites.sum())
    assert trend.p_value == pytest.approx(2 * stats.norm.sf(abs(total) / np.sqrt(variance * effect)))


def test_a_few_failures_say_nothing() -> None:
    rows = fleet(2.0, items=1)
    trend = read_trend(rows)
    assert trend.direction is None
    assert trend.words.startswith("cannot tell yet: ")
    assert "at 1 site; a trend takes 6 at 3" in trend.reason


def test_failures_no_shape_describes_are_told() -> None:
    size = 12
    rows = CountingRows(
        np.zeros(size),
        np.full(size, 100.0),
        np.ones(size, dtype=np.int64),
        np.arange(size),
        np.arange(size) % 4,
    )
    assert "could not be calculated" in read_trend(rows).reason
