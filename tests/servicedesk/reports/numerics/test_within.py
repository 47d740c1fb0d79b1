"""The shape of repeated failures when every group is held only against itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import optimize, stats

from servicedesk.reports.numerics.counts.conditional_poisson import fit_conditional, fit_conditional_parts
from servicedesk.reports.numerics.survival.trend import fit_power_law
from tests.servicedesk.reports.numerics.fleets import unhurried


def spans(seed: int, *, groups: int = 4) -> tuple[np.ndarray, ...]:
    """Draw watched spans with failures at some of their ends, in groups."""
    rng = np.random.default_rng(seed)
    start = rng.integers(0, 300, 40).astype(float)
    stop = start + rng.integers(1, 400, 40)
    event = rng.integers(0, 3, 40)
    event[:groups] = 1
    return start, stop, event, np.arange(40) % groups


def naive_value(
    shape: float, start: np.ndarray, stop: np.ndarray, event: np.ndarray, group: np.ndarray
) -> float:
    """Sum the log-likelihood with a best rate for each group, span by span."""
    total = 0.0
    for each in set(group.tolist()):
        mine = [row for row in range(start.size) if group[row] == each]
        number = sum(int(event[row]) for row in mine)
        if not number:
            continue
        time = sum(stop[row] ** shape - start[row] ** shape for row in mine)
        for row in mine:
            total += event[row] * math.log(number / time * shape * stop[row] ** (shape - 1))
        total -= number
    return total


@given(st.integers(0, 10_000))
@example(5590)  # even a shape of nothing can't be ruled out
@unhurried
def test_shape_and_limits_are_those_of_a_plain_search(seed: int) -> None:
    columns = spans(seed)
    fit = fit_conditional(*columns)
    best = optimize.minimize_scalar(
        lambda log: -naive_value(math.exp(log), *columns),
        bounds=(-4, 4),
        method="bounded",
        options={"xatol": 1e-9},
    )
    assert fit.shape == pytest.approx(math.exp(best.x), rel=1e-4)
    # Likelihood-ratio limits: twice the drop is the 95 % point of chi-squared on one degree of freedom.
    drop = stats.chi2.ppf(0.95, 1) / 2
    for limit in (fit.low, fit.high):
        if limit:
            assert naive_value(limit, *columns) == pytest.approx(-best.fun - drop, abs=1e-5)
        else:
            assert naive_value(1e-6, *columns) > -best.fun - drop
    assert fit.low < fit.shape < fit.high
    assert fit.events == columns[2].sum()
    time = (columns[1] ** fit.shape - columns[0] ** fit.shape).sum()
    assert fit.rate == pytest.approx(columns[2].sum() / time)


@given(st.integers(0, 10_000), st.floats(0.01, 1000))
@unhurried
def test_the_unit_of_time_and_the_order_of_rows_do_not_matter(seed: int, unit: float) -> None:
    start, stop, event, group = spans(seed)
    fit = fit_conditional(start, stop, event, group)
    order = np.random.default_rng(seed).permutation(start.size)
    other = fit_conditional(start[order] * unit, stop[order] * unit, event[order], group[order])
    assert other.shape == pytest.approx(fit.shape, rel=1e-6)
    assert (other.low, other.high) == pytest.approx((fit.low, fit.high), rel=1e-6)
    assert other.rate * unit**other.shape == pytest.approx(fit.rate, rel=1e-5)


def test_one_group_is_the_power_law_of_crow() -> None:
    # Crow (1975), by the function that is checked against published fits.
    events, stop = [[100, 300, 450], [200, 480], [490]], [500, 500, 400]
    rows = [(0, 100, 1), (100, 300, 1), (300, 450, 1), (450, 500, 0), (0, 200, 1), (200, 480, 1)]
    rows += [(480, 500, 0), (0, 390, 1), (390, 400, 0)]
    events[2] = [390]
    start, ends, event = (np.array(column) for column in zip(*rows, strict=True))
    fit = fit_conditional(start, ends, event, np.zeros(9, dtype=int))
    expected = fit_power_law(events, [0, 0, 0], stop)
    assert fit.shape == pytest.approx(expected.shape)
    assert fit.rate == pytest.approx(expected.rate)
    assert (fit.low, fit.high) == pytest.approx((expected.low, expected.high))


def test_groups_that_fail_more_often_at_all_times_do_not_bend_the_shape() -> None:
    rng = np.random.default_rng(5)
    rows = []
    for group in range(200):
        # Busy groups are watched for a short time since care, quiet ones for a long time.
        rate, longest = (0.02, 200.0) if group % 2 else (0.002, 1000.0)
        at = np.sort(rng.uniform(0, longest, rng.poisson(rate * longest)))
        ends = [*at, longest]
        rows += [
            (begin, end, number < at.size, group)
            for number, (begin, end) in enumerate(zip([0, *at], ends, strict=True))
        ]
    start, stop, event, group = (np.array(column) for column in zip(*rows, strict=True))
    within = fit_conditional(start, stop, event.astype(int), group)
    pooled = fit_conditional(start, stop, event.astype(int), np.zeros(group.size, dtype=int))
    assert within.low < 1 < within.high
    assert pooled.high < 0.9


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="Nothing failed"):
        fit_conditional([0, 0], [10, 20], [0, 0], [1, 2])
    with pytest.raises(ValueError, match="No shape describes"):
        fit_conditional([0, 0], [10, 10], [1, 1], [1, 2])


def parts(seed: int) -> tuple[np.ndarray, ...]:
    """Draw months on a clock, of which some were watched in part, with failures in some of them."""
    rng = np.random.default_rng(seed)
    start = np.where(rng.random(40) < 0.2, 0, rng.integers(0, 700, 40)).astype(float)
    stop = start + rng.integers(3, 32, 40)
    event = rng.integers(0, 3, 40)
    event[:4] = 1
    return start, stop, rng.uniform(0.1, 4, 40), event, np.arange(40) % 4


def naive_parts(shape: float, columns: tuple[np.ndarray, ...]) -> float:
    """Sum the Poisson log-likelihood of grouped counts with a best rate for each group, row by row."""
    total = 0.0
    for each in range(4):
        mine = [row for row in zip(*columns, strict=True) if row[4] == each]
        number = sum(row[3] for row in mine)
        time = sum(row[2] * (row[1] ** shape - row[0] ** shape) for row in mine)
        for start, stop, watched, event, _ in mine:
            mean = number * watched * (stop**shape - start**shape) / time
            total += stats.poisson.logpmf(event, mean)
    return total


@given(st.integers(0, 10_000))
@unhurried
def test_grouped_times_give_the_shape_of_a_plain_search(seed: int) -> None:
    columns = parts(seed)
    fit = fit_conditional_parts(*columns)
    best = optimize.minimize_scalar(
        lambda log: -naive_parts(math.exp(log), columns),
        bounds=(-5, 5),
        method="bounded",
        options={"xatol": 1e-9},
    )
    assert fit.shape == pytest.approx(math.exp(best.x), rel=1e-4)
    drop = stats.chi2.ppf(0.95, 1) / 2
    for limit in (fit.low, fit.high):
        assert naive_parts(limit, columns) == pytest.approx(-best.fun - drop, abs=1e-5)
    start, stop, watched, event, group = columns
    time = (watched * (stop**fit.shape - start**fit.shape)).sum()
    assert (fit.rate, fit.events, fit.groups) == (pytest.approx(event.sum() / time), event.sum(), 4)
    other = fit_conditional_parts(start * 30, stop * 30, watched, event, group)
    assert (other.shape, other.low, other.high) == pytest.approx((fit.shape, fit.low, fit.high))


def test_few_telling_failures_widen_the_limits() -> None:
    columns = parts(3)
    fit = fit_conditional_parts(*columns, telling=10)
    # Student's t at 97.5 % on 9 degrees of freedom is 2.262 (any table of it), the normal's point 1.960.
    top = naive_parts(fit.shape, columns)
    for limit in (fit.low, fit.high):
        assert naive_parts(limit, columns) == pytest.approx(top - 2.262**2 / 2, abs=1e-3)


def test_nonsense_in_grouped_times_is_refused() -> None:
    with pytest.raises(ValueError, match="Nothing failed"):
        fit_conditional_parts([0, 0], [10, 20], [1, 1], [0, 0], [1, 2])
    with pytest.raises(ValueError, match="A row without any watched time"):
        fit_conditional_parts([0, 10], [10, 10], [1, 1], [1, 1], [1, 1])
    with pytest.raises(ValueError, match="A row without any watched time"):
        fit_conditional_parts([0, 10], [10, 20], [1, 0], [1, 1], [1, 1])
