"""Quantiles and tails against `scipy.stats`, and what a fresh interpreter loads."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from servicedesk.reports.numerics import distributions as ours

SHARES = np.array([1e-8, 0.001, 0.025, 0.2, 0.5, 0.8, 0.975, 0.999, 1 - 1e-8])
VALUES = np.array([0.001, 0.3, 1.0, 2.5, 7.0, 40.0])
DEGREES = np.array([[0.4], [1.0], [2.0], [7.3], [60.0], [4000.0]])
MEANS = np.array([[0.01], [0.4], [3.0], [27.5], [800.0]])
SIZES = np.array([[0.2], [1.0], [3.7], [50.0]])


def test_quantiles_agree_with_scipy() -> None:
    for mine, theirs in (
        (ours.normal_quantile(SHARES), stats.norm.ppf(SHARES)),
        (ours.t_quantile(SHARES, DEGREES), stats.t.ppf(SHARES, DEGREES)),
        (ours.t_quantile(SHARES, np.inf), stats.norm.ppf(SHARES)),
        (ours.chi2_quantile(SHARES, DEGREES), stats.chi2.ppf(SHARES, DEGREES)),
        (ours.chi2_upper_quantile(SHARES, DEGREES), stats.chi2.isf(SHARES, DEGREES)),
    ):
        np.testing.assert_allclose(mine, theirs, rtol=1e-8, atol=1e-280)


def test_chances_agree_with_scipy() -> None:
    counts = np.arange(30)
    for mine, theirs in (
        (ours.normal_tail(VALUES), stats.norm.sf(VALUES)),
        (ours.t_tail(VALUES, DEGREES), stats.t.sf(VALUES, DEGREES)),
        (ours.chi2_tail(VALUES, DEGREES), stats.chi2.sf(VALUES, DEGREES)),
        (ours.chi2_share(VALUES, DEGREES), stats.chi2.cdf(VALUES, DEGREES)),
        (ours.poisson_chance(counts, MEANS), stats.poisson.pmf(counts, MEANS)),
        (ours.poisson_share(counts, MEANS), stats.poisson.cdf(counts, MEANS)),
        (ours.negative_binomial_chance(counts, SIZES, 0.3), stats.nbinom.pmf(counts, SIZES, 0.3)),
    ):
        np.testing.assert_allclose(mine, theirs, rtol=1e-10, atol=1e-280)


@pytest.mark.parametrize("hits", [0.02, 0.3, 0.9])
def test_counts_agree_with_scipy(hits: float) -> None:
    shares = np.array([0.001, 0.024, 0.1, 0.5, 0.9, 0.95, 0.976, 0.999])
    for mine, theirs in (
        (ours.poisson_quantile(shares, MEANS), stats.poisson.ppf(shares, MEANS)),
        (ours.negative_binomial_quantile(shares, SIZES, hits), stats.nbinom.ppf(shares, SIZES, hits)),
        (ours.negative_binomial_upper_quantile(shares, SIZES, hits), stats.nbinom.isf(shares, SIZES, hits)),
    ):
        np.testing.assert_array_equal(mine, theirs)


@pytest.mark.parametrize("size", [0.2, 3.7, 50.0])
@pytest.mark.parametrize("hits", [0.0004, 0.3, 0.999])
def test_many_levels_at_once_are_each_by_itself(size: float, hits: float) -> None:
    shares = (np.arange(2000) + 0.5) / 2000
    quantiles = ours.negative_binomial_quantile(shares, size, hits)
    np.testing.assert_array_equal(quantiles, stats.nbinom.ppf(shares, size, hits))
    np.testing.assert_array_equal(
        quantiles[::97], [ours.negative_binomial_quantile(s, size, hits) for s in shares[::97]]
    )


def test_no_process_of_the_desk_loads_scipy_stats() -> None:
    statement = (
        "import django, os, sys; os.environ['DJANGO_SETTINGS_MODULE'] = 'servicedesk.settings';"
        "django.setup(); import servicedesk.urls, servicedesk.reports.views;"
        "print('scipy.stats' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", statement], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.stdout.strip() == "False", done.stdout + done.stderr
