"""Draws refitted at once are the draws refitted one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.reports.lifetimes.bootstrap import History, SiteRecords, draw_all_sites, records_of_repairs
from servicedesk.reports.lifetimes.refits import ShapeWindow
from tests.servicedesk.reports.lifetimes.fleets import make_fleet, unhurried


def records(seed: int, *, parts: int = 150, sites: int = 20) -> SiteRecords:
    """Sort the records of a made-up fleet by site."""
    fleet = make_fleet(seed, parts=parts, sites=sites)
    return records_of_repairs(History(fleet.entry, fleet.exit, fleet.failed, fleet.site))


@given(st.integers(0, 10_000), st.sampled_from([0.7, 1.6, 4.0]))
@unhurried
def test_a_draw_has_the_shape_and_rate_that_it_has_by_itself(seed: int, near: float) -> None:
    found = records(seed)
    rng = np.random.default_rng(seed)
    weights = draw_all_sites(found.leaving.shape[0], 5, rng=rng)
    shape, log_rate = found.refit_all(weights, near=near)
    for row, weight in enumerate(weights):
        alone = found.weighted(weight).fit()
        assert shape[row] == pytest.approx(alone.shape, rel=1e-8)
        assert log_rate[row] == pytest.approx(alone.log_rate(found.unit), rel=1e-8)


def test_sites_whose_shape_lies_far_off_are_fitted_by_themselves() -> None:
    found = records(3)
    weights = np.ones((1, found.leaving.shape[0]))
    shape, log_rate = found.refit_all(weights, near=40.0)
    alone = found.weighted(weights[0]).fit()
    assert (shape[0], log_rate[0]) == pytest.approx((alone.shape, alone.log_rate(found.unit)))


@pytest.mark.parametrize("near", [0.3, 1.0, 12.0])
def test_sums_of_powers_are_those_added_up(near: float) -> None:
    rng = np.random.default_rng(5)
    age, number = rng.uniform(1e-4, 1.0, 400), rng.integers(0, 5, (3, 400)).astype(np.float64)
    window = ShapeWindow.around(near)
    found = window.coefficients(np.log(age), number)
    slopes = window.slopes(found)
    for shape in np.linspace(window.low, window.high, 7):
        at = np.full(3, shape)
        powers = age**shape
        assert window.values(at, found) == pytest.approx(number @ powers, rel=1e-11)
        assert window.values(at, slopes) == pytest.approx(number @ (powers * np.log(age)), rel=1e-9)
    assert window.high == pytest.approx(near * math.e)
