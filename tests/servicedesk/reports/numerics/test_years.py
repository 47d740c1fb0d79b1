"""How much years differ beyond chance: moments, Student's t and a trend drawn toward none."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from servicedesk.reports.numerics.prediction.years import PRIOR_RISE, years_apart

YEARS = np.arange(6)


def test_the_variance_is_that_of_the_moments_where_there_is_no_trend() -> None:
    # Two years: the excess of squared differences over Poisson counts, by hand.
    variation = years_apart([130, 70], [100.0, 100.0])
    chance = 200 - (2 * 100**2) / 200
    variance = (2 * 30**2 - chance) / (2 * 100**2 * (1 - 1 / 2))
    assert variation.variance == pytest.approx(variance)
    wider = (stats.t.ppf(0.975, 1) / stats.norm.ppf(0.975)) ** 2
    assert variation.ahead == pytest.approx(variance * (1 + 1 / 2) * wider)
    assert (variation.years, variation.rise, variation.times) == (pytest.approx(2), 0, 1)


def test_the_trend_is_the_poisson_regression_with_a_normal_prior() -> None:
    seen, fitted = np.array([160, 139, 121, 105, 91, 79]), np.full(6, seen_mean := 115.8)
    variation = years_apart(seen, fitted)
    # statsmodels: Poisson regression; its slope and a normal prior together, by precision (Gelman et al.,
    # Bayesian Data Analysis, 2.5), near enough for a curve as smooth as this.
    design = sm.add_constant(-YEARS - (-YEARS).mean())
    theirs = sm.GLM(seen, design, family=sm.families.Poisson(), offset=np.log(fitted)).fit()
    precision = theirs.bse[1] ** -2
    slope = theirs.params[1] * precision / (precision + PRIOR_RISE**-2)
    assert variation.slope == pytest.approx(slope, rel=0.02)
    assert variation.rise == pytest.approx(math.expm1(variation.slope))
    assert variation.times == pytest.approx(math.exp(theirs.params[0] + slope * 3.5), rel=0.02)
    assert variation.trended(fitted).sum() == pytest.approx(seen.sum(), rel=0.02)
    assert seen_mean < 160


def test_years_that_differ_by_chance_alone_are_alike() -> None:
    variation = years_apart([101, 99, 100, 100, 98, 102], np.full(6, 100.0))
    assert (variation.variance, variation.rise) == (0, 0)
    assert variation.times == pytest.approx(1, abs=0.01)


def test_less_than_two_years_say_nothing() -> None:
    variation = years_apart([90, 10], [95.0, 5.0])
    assert variation.years == pytest.approx(100**2 / (95**2 + 5**2))
    assert (variation.variance, variation.ahead, variation.times) == (0, 0, 1)
    assert years_apart([0, 0], [0.0, 0.0]).years == 0


def test_columns_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="events has 2, expected has 1"):
        years_apart([1, 2], [1.0])
