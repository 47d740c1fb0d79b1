"""Draws refitted at once are the draws refitted one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.reports.numerics.survival.bootstrap import (
    History,
    SiteRecords,
    draw_all_sites,
    records_of_repairs,
)
from servicedesk.reports.numerics.survival.refits import ShapeWindow
from tests.servicedesk.reports.numerics.fleets import make_fleet, unhurried


def records(seed: int, *, parts: int = 150, sites: int = 20) -> SiteRecords:
    """Sort the records of a made-up fleet by site."""
    fleet = make_fleet(seed, parts=parts, sites=sites)
    return records_of_repairs(History(fleet.entry, fleet.exit, fleet.failed, fleet.site))


@given(st.integers(0, 10_000), st.sampled_from([0.7, 1.6, 4.0]))
@unhurried
def test_a_draw_has_the_shape_and_rate_that_it_has_by_itself(seed: int, near: float) -> None:
    data = records(seed)
    rng = np.random.default_rng(seed)
    weights = draw_all_sites(data.leaving.shape[0], 5, rng=rng)
    shape, log_rate = data.refit_all(weights, near=near)
    for row, weight in enumerate(weights):
        alone = data.weighted(weight).fit()
        assert shape[row] == pytest.approx(alone.shape, rel=1e-8)
        assert log_rate[row] == pytest.approx(alone.log_rate(data.unit), rel=1e-8)


@pytest.mark.parametrize("near", [0.004, 0.2, 8.0, 40.0])
def test_sites_whose_shape_lies_far_off_are_fitted_all_the_same(near: float) -> None:
    """In the window above or below that of the fleet, or one by one."""
    data = records(3)
    weights = draw_all_sites(data.leaving.shape[0], 4, rng=np.random.default_rng(3))
    shape, log_rate = data.refit_all(weights, near=near)
    alone = [data.weighted(weight).fit() for weight in weights]
    assert shape == pytest.approx([each.shape for each in alone], rel=1e-8)
    assert log_rate == pytest.approx([each.log_rate(data.unit) for each in alone], rel=1e-8)


def test_draws_that_no_shape_describes_are_those_that_have_none_by_themselves() -> None:
    """Nobody was watched from new, and parts fail the less the older they are."""
    rng = np.random.default_rng(8)
    entry = rng.uniform(200, 3000, 120)
    exit = entry + rng.uniform(100, 1000, 120)
    failed = rng.random(120) < 100 / entry
    data = records_of_repairs(History(entry, exit, failed, np.arange(120) // 8))
    weights = draw_all_sites(15, 200, rng=rng)
    shape, log_rate = data.refit_all(weights, near=0.5)
    without = 0
    for row, weight in enumerate(weights):
        sample = data.weighted(weight)
        if sample.number == 0:
            continue
        try:
            alone = sample.fit()
        except ValueError:
            without += 1
            assert math.isnan(shape[row])
            assert math.isnan(log_rate[row])
        else:
            assert shape[row] == pytest.approx(alone.shape, rel=1e-8)
    assert 20 < without < 180


def test_sites_at_which_nothing_failed_have_a_rate_of_nothing() -> None:
    ages = np.arange(1.0, 9.0)
    data = records_of_repairs(History(np.zeros(8), ages, np.arange(8) == 3, np.arange(8) // 2))
    shape, log_rate = data.refit_all(np.array([[1.0, 0.0, 0.0, 3.0], [1.0, 2.0, 1.0, 1.0]]), near=1.3)
    assert (shape[0], log_rate[0]) == (1.3, -math.inf)
    assert log_rate[1] > -math.inf


@pytest.mark.parametrize("near", [0.3, 1.0, 12.0])
def test_sums_of_powers_are_those_added_up(near: float) -> None:
    rng = np.random.default_rng(5)
    age, number = rng.uniform(1e-4, 1.0, 400), rng.integers(0, 5, (3, 400)).astype(np.float64)
    window = ShapeWindow.around(near)
    coefficients = window.coefficients(np.log(age), number)
    slopes = window.slopes(coefficients)
    for shape in np.linspace(window.low, window.high, 7):
        at = np.full(3, shape)
        powers = age**shape
        assert window.values(at, coefficients) == pytest.approx(number @ powers, rel=1e-11)
        assert window.values(at, slopes) == pytest.approx(number @ (powers * np.log(age)), rel=1e-9)
    assert window.high == pytest.approx(near * math.e)
