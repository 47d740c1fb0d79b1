"""Shrunken rates, held against the published pumps, a plain likelihood and a second library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from servicedesk.reports.numerics.counts.empirical_bayes import shrink_rates
from servicedesk.reports.numerics.counts.rates import event_rate
from tests.servicedesk.reports.numerics import naive
from tests.servicedesk.reports.numerics.fleets import unhurried
from tests.servicedesk.reports.numerics.published import Check

PUMPS = Check("pumps_eb").input["failures"], Check("pumps_eb").input["time_khours"]


def test_pumps() -> None:
    check, shrunk = Check("pumps_eb"), shrink_rates(*PUMPS)
    check.holds("gamma_shape", shrunk.prior_shape)
    check.holds("gamma_rate", shrunk.prior_rate)
    check.holds("posterior_mean", shrunk.rate)
    assert not shrunk.pooled


def test_nothing_near_beats_the_prior_by_the_plain_likelihood() -> None:
    shrunk = shrink_rates(*PUMPS)
    at = math.log(shrunk.prior_shape), math.log(shrunk.prior_rate)
    optimum = optimize.minimize(
        lambda x: -naive.gamma_poisson(*PUMPS, math.exp(x[0]), math.exp(x[1])),
        (0.0, 0.0),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12},
    )
    assert at == pytest.approx(optimum.x, abs=1e-5)
    np.testing.assert_allclose(
        shrunk.low, [stats.gamma(at_n, scale=1 / rate).ppf(0.025) for at_n, rate in _posterior(*at)]
    )
    np.testing.assert_allclose(
        shrunk.high, [stats.gamma(at_n, scale=1 / rate).ppf(0.975) for at_n, rate in _posterior(*at)]
    )


def _posterior(log_shape: float, log_rate: float) -> list[tuple[float, float]]:
    return [(math.exp(log_shape) + n, math.exp(log_rate) + t) for n, t in zip(*PUMPS, strict=True)]


def test_like_the_negative_binomial_of_statsmodels() -> None:
    failures, time = np.array(PUMPS[0]), np.array(PUMPS[1])
    # Its default optimiser stops early with an offset; lbfgs gets there.
    model = sm.NegativeBinomial(failures, np.ones((10, 1)), offset=np.log(time))
    peer = model.fit(method="lbfgs", disp=False, maxiter=1000, pgtol=1e-10)
    shrunk = shrink_rates(failures, time)
    assert 1 / shrunk.prior_shape == pytest.approx(peer.params[1], rel=1e-3)
    assert shrunk.prior_shape / shrunk.prior_rate == pytest.approx(math.exp(peer.params[0]), rel=1e-3)


@pytest.mark.parametrize(
    ("events", "exposure"),
    [([3, 4, 3, 5], [1, 1, 1, 1]), ([7], [2]), ([0, 0, 0], [1, 2, 3]), ([4, 2], [2, 1])],
)
def test_groups_no_more_different_than_chance_share_one_rate(events: list[int], exposure: list[int]) -> None:
    shrunk, together = shrink_rates(events, exposure), event_rate(sum(events), sum(exposure))
    assert shrunk.pooled
    assert (shrunk.prior_shape, shrunk.prior_rate) == (math.inf, math.inf)
    assert set(shrunk.rate) == {together.rate}
    assert (shrunk.low[0], shrunk.high[-1]) == (together.low, together.high)


def test_a_group_nobody_watched_gets_what_the_others_suggest() -> None:
    shrunk = shrink_rates([*PUMPS[0], 0], [*PUMPS[1], 0.0])
    assert shrunk.rate[-1] == pytest.approx(shrunk.prior_shape / shrunk.prior_rate)
    np.testing.assert_allclose(shrunk.rate[:-1], shrink_rates(*PUMPS).rate)


def test_a_design_effect_divides_the_evidence() -> None:
    inflated = shrink_rates(*PUMPS, design_effect=2)
    halved = shrink_rates(np.array(PUMPS[0]) / 2, np.array(PUMPS[1]) / 2)
    np.testing.assert_allclose(inflated.rate, halved.rate)


@unhurried
@given(st.lists(st.integers(0, 30), min_size=3, max_size=12), st.floats(0.01, 100))
def test_unit_and_order_do_not_matter_and_rates_lie_between(events: list[int], unit: float) -> None:
    exposure = np.linspace(1, 5, len(events))
    shrunk = shrink_rates(events, exposure)
    scaled = shrink_rates(events[::-1], exposure[::-1] * unit)
    np.testing.assert_allclose(scaled.rate[::-1] * unit, shrunk.rate, rtol=1e-5, atol=1e-12)
    raw, middle = np.array(events) / exposure, shrunk.prior_shape / shrunk.prior_rate
    if not shrunk.pooled:
        assert (np.minimum(raw, middle) <= shrunk.rate + 1e-9).all()
        assert (shrunk.rate <= np.maximum(raw, middle) + 1e-9).all()


@pytest.mark.parametrize(
    ("events", "exposure", "words"),
    [
        ([1, 2], [1], "events has 2, exposure has 1"),
        ([0, 0], [0, 0], "nothing was watched"),
        ([1, 0], [0, 1], "event in row 0 where exposure is zero"),
    ],
)
def test_bad_input_is_answered_by_a_sentence(events: list[int], exposure: list[int], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        shrink_rates(events, exposure)
