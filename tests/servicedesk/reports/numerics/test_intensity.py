"""Failures by age: a power, or bands where no power describes them."""

from __future__ import annotations

import numpy as np
import pytest

from servicedesk.reports.numerics.prediction.forecast import fit_repairs
from servicedesk.reports.numerics.survival.bootstrap import History
from servicedesk.reports.numerics.survival.intensity import YEAR, Spans, fit_intensity


def spans(hazard: tuple[tuple[float, float], ...], *, items: int = 300, seed: int = 1) -> Spans:
    """Draw items of twelve years at 60 sites, with so many failures a year up to each age in years."""
    rng = np.random.default_rng(seed)
    rows = []
    for item in range(items):
        begin, ages = 0.0, []
        for end, rate in hazard:
            number = rng.poisson(rate * (end - begin))
            ages += rng.uniform(begin, end, number).tolist()
            begin = end
        cuts = [*sorted(ages), begin]
        begins = [0.0, *cuts[:-1]]
        rows += [
            (low * YEAR, high * YEAR, number < len(ages), item % 60)
            for number, (low, high) in enumerate(zip(begins, cuts, strict=True))
        ]
    start, stop, event, site = (np.array(column) for column in zip(*rows, strict=True))
    return Spans(start, stop, event.astype(np.int64), site.astype(np.int64), np.ones(start.size), 60)


def test_a_power_of_age_is_that_fitted_to_the_failures() -> None:
    data = spans(((12.0, 0.2),))
    law = fit_repairs(History(data.start, data.stop, data.events, data.site))
    best = fit_intensity(data).best
    assert best.shape == pytest.approx(law.shape)
    ages = np.array([0.0, 400.0, 3000.0])
    assert best.by_age(ages) == pytest.approx(law.rate * ages**law.shape)
    step = best.between(ages[1:], ages[1:] + 0.01) / 0.01
    assert best.at(ages[1:]) == pytest.approx(step, rel=1e-4)


def test_early_failures_then_quiet_then_wear_are_told_apart() -> None:
    # A bathtub: what comes next is what came last, not what a power through all ages makes of it.
    data = spans(((0.5, 1.0), (8.0, 0.02), (12.0, 0.4)))
    best = fit_intensity(data).best
    assert best.rates.size
    year = best.between(np.array([0.0, 4 * YEAR, 11 * YEAR]), np.array([0.5 * YEAR, 5 * YEAR, 12 * YEAR]))
    assert year == pytest.approx([0.5, 0.02, 0.4], abs=0.1)
    total = data.events.sum()
    assert best.between(data.start, data.stop).sum() == pytest.approx(total, rel=1e-6)


@pytest.mark.parametrize("hazard", [((12.0, 0.2),), ((0.5, 1.0), (8.0, 0.02), (12.0, 0.4))])
def test_the_mean_of_drawn_sites_is_near_that_of_all(hazard: tuple[tuple[float, float], ...]) -> None:
    fitted = fit_intensity(spans(hazard))
    ages = YEAR * np.linspace(0.1, 10.5, 80)
    mean = float(fitted.best.between(ages, ages + YEAR).sum())
    drawn = fitted.drawn_means(ages, YEAR, times=400)
    assert drawn.mean() == pytest.approx(mean, rel=0.1)
    assert 0 < drawn.std() < mean


def test_time_in_which_half_of_the_failures_are_unknown_counts_half() -> None:
    data = spans(((12.0, 0.2),))
    half = Spans(data.start, data.stop, data.events, data.site, np.full(data.start.size, 0.5), 60)
    whole, twice = (fit_intensity(each).best.by_age(np.array([2000.0]))[0] for each in (data, half))
    assert twice == pytest.approx(2 * whole)


def test_without_a_failure_there_is_nothing_to_fit() -> None:
    nothing = Spans(np.zeros(3), np.ones(3), np.zeros(3, dtype=np.int64), np.arange(3), np.ones(3), 3)
    with pytest.raises(ValueError, match="Nothing failed"):
        fit_intensity(nothing)
