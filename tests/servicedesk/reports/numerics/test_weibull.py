"""Weibull lives, held against published fits, plain likelihoods and other libraries."""

from __future__ import annotations

import math

import lifelines
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from servicedesk.reports.numerics.survival.weibull import WeibullFit, fit_scale, fit_weibull
from tests.servicedesk.reports.numerics import naive
from tests.servicedesk.reports.numerics.fleets import Fleet, fleets, make_fleet, unhurried
from tests.servicedesk.reports.numerics.published import Check

HALF_QUANTILE = stats.chi2.ppf(0.95, 1) / 2


def nist_test() -> WeibullFit:
    """Fit the twenty units of the NIST handbook."""
    check = Check("nist_weibull")
    failures, going = check.input["failures"], check.input["censored_at_500"]
    return fit_weibull([0.0] * 20, [*failures, *[500.0] * going], [1] * len(failures) + [0] * going)


class TestPublished:
    """Printed fits."""

    def test_nist_units(self) -> None:
        check, fit = Check("nist_weibull"), nist_test()
        check.holds("beta", fit.shape)
        check.holds("eta", fit.scale)
        check.holds("loglik", fit.log_likelihood)
        assert fit.failures == 10

    def test_shock_absorbers(self) -> None:
        check = Check("shock_absorber")
        km = check.input["time"]
        fit = fit_weibull([0] * len(km), km, [1 - censored for censored in check.input["cens"]])
        check.holds("mu=log_eta", math.log(fit.scale))
        check.holds("sigma=1/beta", 1 / fit.shape)
        check.holds("B10", fit.quantile(0.1))

    def test_cracks_found_at_inspections(self) -> None:
        check = Check("nelson_cracks_weibull")
        days, cracked, never = (check.input[name] for name in ("days", "cracked", "never"))
        found_on = np.repeat(days, cracked)
        good = np.repeat([0, *days[:-1]], cracked)
        fit = fit_weibull(
            np.zeros(found_on.size + never),
            np.append(found_on, [days[-1]] * never),
            [1] * found_on.size + [0] * never,
            last_good=np.append(good, [np.nan] * never),
        )
        check.holds("beta", fit.shape)
        check.holds("eta_days", fit.scale)
        check.holds("eta_months(=/30.4375)", fit.scale / 30.4375)
        check.holds("loglik", fit.log_likelihood)


def loosely(fleet: Fleet) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Date every second failure only between two visits 200 days apart."""
    good = np.maximum(np.floor((fleet.exit - 1) / 200) * 200, fleet.entry)
    return np.where((np.arange(good.size) % 2 == 0) & (good < fleet.exit), good, np.nan)


class TestFit:
    """The fit and its limits on made-up fleets."""

    @pytest.mark.parametrize("whole_days", [True, False])
    @pytest.mark.parametrize("loose", [True, False])
    def test_the_likelihood_is_the_plain_sum_and_nothing_near_beats_it(
        self, loose: bool, whole_days: bool
    ) -> None:
        fleet = make_fleet(1, whole_days=whole_days)
        good = loosely(fleet) if loose else None
        fit = fit_weibull(fleet.entry, fleet.exit, fleet.failed, last_good=good)

        def plain(log_shape: float, log_scale: float) -> float:
            return naive.weibull(fleet.rows(), good, math.exp(log_shape), math.exp(log_scale))

        at = (math.log(fit.shape), math.log(fit.scale))
        assert fit.log_likelihood == pytest.approx(plain(*at), abs=1e-7)
        optimum = optimize.minimize(
            lambda x: -plain(*x), at, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}
        )
        assert optimum.x == pytest.approx(at, abs=1e-4)

    @pytest.mark.parametrize("loose", [True, False])
    def test_limits_are_where_the_plain_profile_likelihood_comes_down(self, loose: bool) -> None:
        fleet = make_fleet(2, parts=80)
        good = loosely(fleet) if loose else None
        fit = fit_weibull(fleet.entry, fleet.exit, fleet.failed, last_good=good)
        floor = fit.log_likelihood - HALF_QUANTILE

        def profile(shape: float, log_hazard: float, age: float | None) -> float:
            """Give the plain likelihood with the scale free, or so that hazard and age belong together."""
            if age is not None:
                return naive.weibull(fleet.rows(), good, shape, age / math.exp(log_hazard / shape))
            free = optimize.minimize_scalar(
                lambda u: -naive.weibull(fleet.rows(), good, shape, math.exp(u)),
                bounds=(4, 14),
                method="bounded",
            )
            return -float(free.fun)

        def through(log_hazard: float, age: float) -> float:
            best = optimize.minimize_scalar(
                lambda b: -profile(b, log_hazard, age),
                bounds=(fit.shape / 3, fit.shape * 3),
                method="bounded",
            )
            return -float(best.fun)

        for shape in (fit.shape_low, fit.shape_high):
            assert profile(shape, 0.0, None) == pytest.approx(floor, abs=1e-4)
        life = fit.quantile(0.1)
        for age in (life.low, life.high):
            assert through(math.log(-math.log(0.9)), age) == pytest.approx(floor, abs=1e-4)
        share = fit.failed_by(500)
        for chance in (share.low, share.high):
            assert through(math.log(-math.log(1 - chance)), 500) == pytest.approx(floor, abs=1e-4)
        assert life.low < life < life.high
        assert share.low < share < share.high

    def test_like_lifelines_with_late_entry(self) -> None:
        fleet = make_fleet(3)
        fit = fit_weibull(fleet.entry, fleet.exit, fleet.failed)
        peer = lifelines.WeibullFitter().fit(fleet.exit, fleet.failed, entry=fleet.entry)
        assert (fit.shape, fit.scale) == pytest.approx((peer.rho_, peer.lambda_), rel=1e-4)
        assert fit.log_likelihood == pytest.approx(peer.log_likelihood_, abs=1e-6)

    def test_like_lifelines_between_visits(self) -> None:
        fleet = make_fleet(4)
        zero = np.zeros(fleet.exit.size)
        good = np.maximum(np.floor((fleet.exit - 1) / 200) * 200, 0)
        peer = lifelines.WeibullFitter()
        peer.fit_interval_censoring(
            np.where(fleet.failed, good, fleet.exit), np.where(fleet.failed, fleet.exit, np.inf)
        )
        fit = fit_weibull(zero, fleet.exit, fleet.failed, last_good=good)
        assert (fit.shape, fit.scale) == pytest.approx((peer.rho_, peer.lambda_), rel=1e-4)

    def test_like_scipy_from_new(self) -> None:
        fleet = make_fleet(5)
        data = stats.CensoredData.right_censored(fleet.exit, ~fleet.failed)
        shape, _, scale = stats.weibull_min.fit(data, floc=0)
        fit = fit_weibull(np.zeros(fleet.exit.size), fleet.exit, fleet.failed)
        assert (fit.shape, fit.scale) == pytest.approx((shape, scale), rel=1e-3)

    def test_limits_of_few_failures_lean_to_the_side_the_wald_limits_of_lifelines_do_not(self) -> None:
        # Wald limits lie evenly about the estimate; with five failures the likelihood does not.
        entry, exit, failed = [0.0] * 8, [90, 150, 210, 260, 330, 400, 400, 400], [1] * 5 + [0] * 3
        fit = fit_weibull(entry, exit, failed)
        peer = lifelines.WeibullFitter().fit(exit, failed)
        low, high = peer.summary.loc["rho_", ["coef lower 95%", "coef upper 95%"]]
        assert high - peer.rho_ == pytest.approx(peer.rho_ - low)
        assert fit.shape_high - fit.shape > 1.2 * (fit.shape - fit.shape_low)

    def test_quantile_and_share_turn_each_other_over(self) -> None:
        fit = nist_test()
        life = fit.quantile(0.3)
        there = fit.failed_by(life)
        assert there == pytest.approx(0.3)
        # Where the limit of one lies, the limit of the other comes back.
        assert fit.failed_by(life.low).high == pytest.approx(0.3, rel=1e-6)
        assert fit.failed_by(life.high).low == pytest.approx(0.3, rel=1e-6)
        assert fit.quantile(-math.expm1(-1)) == pytest.approx(fit.scale)
        assert (fit.failed_by(0), fit.failed_by(0).high) == (0, 0)

    def test_wider_confidence_is_wider(self) -> None:
        fleet = make_fleet(6)
        narrow = fit_weibull(fleet.entry, fleet.exit, fleet.failed, confidence=0.8)
        wide = fit_weibull(fleet.entry, fleet.exit, fleet.failed, confidence=0.99)
        assert wide.shape_low < narrow.shape_low < narrow.shape < narrow.shape_high < wide.shape_high

    def test_records_that_do_not_bound_the_shape_from_below(self) -> None:
        # Two parts taken over at age 10 that fail soon after: a shape near zero is as good as any.
        fit = fit_weibull([10, 10, 10], [12, 14, 16], [1, 1, 0])
        assert fit.shape_low == 0
        assert math.isfinite(fit.quantile(0.5).high)

    def test_a_failure_dated_loosely_from_new(self) -> None:
        fit = fit_weibull([0, 0, 0], [5, 9, 12], [1, 1, 0], last_good=[0, 3, np.nan])
        plain = naive.weibull(
            [(0, 5, 1, 0), (0, 9, 1, 0), (0, 12, 0, 0)], [0, 3, math.nan], fit.shape, fit.scale
        )
        assert fit.log_likelihood == pytest.approx(plain)

    @unhurried
    @given(fleets(), st.floats(0.01, 1e3))
    def test_unit_and_order_do_not_matter(self, fleet: Fleet, unit: float) -> None:
        try:
            fit = fit_weibull(fleet.entry, fleet.exit, fleet.failed)
        except ValueError:
            return
        mixed = fleet.shuffled(np.random.default_rng(2).permutation(fleet.exit.size))
        scaled = fit_weibull(mixed.entry * unit, mixed.exit * unit, mixed.failed)
        assert scaled.shape == pytest.approx(fit.shape, rel=1e-5)
        assert scaled.scale == pytest.approx(fit.scale * unit, rel=1e-4)
        assert scaled.shape_high == pytest.approx(fit.shape_high, rel=1e-5)

    @unhurried
    @given(st.integers(0, 10_000))
    def test_two_fleets_alike_have_the_same_life_and_less_doubt(self, seed: int) -> None:
        fleet = make_fleet(seed, parts=60)
        one = fit_weibull(fleet.entry, fleet.exit, fleet.failed)
        two = fit_weibull(*(np.tile(column, 2) for column in (fleet.entry, fleet.exit, fleet.failed)))
        assert (two.shape, two.scale) == pytest.approx((one.shape, one.scale), rel=1e-6)
        assert one.shape_low < two.shape_low < two.shape_high < one.shape_high


class TestFitScale:
    """The scale when the shape is assumed."""

    def test_a_shape_of_one_is_the_constant_rate(self) -> None:
        # Nelson's diesel generator fans: the same limits as the exact interval of the mean life.
        check = Check("genfan_exponential")
        hours = check.input["total_hours"] / 70
        fans = fit_scale([0.0] * 70, [hours] * 70, [1] * 12 + [0] * 58, shape=1)
        check.holds("mean_life", fans.scale)
        check.holds("exact95_mean_lower", fans.scale_low)
        check.holds("exact95_mean_upper", fans.scale_high)
        assert fans.failures == 12

    def test_like_the_plain_sum_with_late_entry(self) -> None:
        fleet = make_fleet(7)
        fit = fit_scale(fleet.entry, fleet.exit, fleet.failed, shape=2.5)
        power = sum(stop**2.5 - start**2.5 for start, stop, _, _ in fleet.rows())
        number = int(fleet.failed.sum())
        assert fit.scale == pytest.approx((power / number) ** 0.4)
        assert naive.poisson_tail(power / fit.scale_low**2.5, number) == pytest.approx(0.025)
        assert 1 - naive.poisson_tail(power / fit.scale_high**2.5, number - 1) == pytest.approx(0.025)

    def test_agrees_with_the_fit_at_its_own_shape(self) -> None:
        fleet = make_fleet(8)
        fit = fit_weibull(fleet.entry, fleet.exit, fleet.failed)
        assert fit_scale(fleet.entry, fleet.exit, fleet.failed, shape=fit.shape).scale == pytest.approx(
            fit.scale
        )

    def test_no_failures_leave_a_lower_limit(self) -> None:
        fit = fit_scale([0, 0], [300, 400], [0, 0], shape=2)
        assert (fit.scale, fit.scale_high) == (math.inf, math.inf)
        assert math.exp(-(300**2 + 400**2) / fit.scale_low**2) == pytest.approx(0.025)


@pytest.mark.parametrize(
    ("records", "words"),
    [
        (([0, 0], [5, 6], [0, 0], None), "Nothing failed"),
        (([0, 0], [6, 6], [1, 1], None), "at the oldest age watched"),
        (([5, 5], [5.1, 90], [1, 0], None), "too soon after coming under watch"),
        (([0, 3], [5, 6], [1, 1], [1, 2]), "last_good comes before entry"),
        (([0, 3], [5, 6], [1, 1], [1, 6]), "last_good is not before exit"),
        (([0, 3], [5, 6], [1, 1], ["x", "y"]), "last_good must hold numbers"),
        (([0, 3], [5, 6], [1, 1], [1]), "last_good has 1"),
        (([3, 3], [5, 6], [1, 1], [3, 3]), "nothing bounds the scale"),
        (([0, -3], [5, 6], [1, 1], None), "negative time"),
    ],
)
def test_bad_input_is_answered_by_a_sentence(
    records: tuple[list[float], list[float], list[int], list[float] | None], words: str
) -> None:
    entry, exit, failed, good = records
    with pytest.raises(ValueError, match=words):
        fit_weibull(entry, exit, failed, last_good=good)


def test_a_shape_must_be_above_zero() -> None:
    with pytest.raises(ValueError, match="shape must be above zero"):
        fit_scale([0], [1], [1], shape=0)


@pytest.mark.parametrize("dated_loosely", [False, True])
@given(st.integers(0, 10_000))
@unhurried
def test_levels_at_the_edge_of_a_region_are_those_of_bisection(dated_loosely: bool, seed: int) -> None:
    """Newton's method, and its closed likelihood where all is dated exactly, against halving a bracket."""
    fleet = make_fleet(seed, parts=60, sites=12)
    fit = fit_weibull(
        fleet.entry, fleet.exit, fleet.failed, last_good=loosely(fleet) if dated_loosely else None
    )
    region = fit.region
    for shape in np.geomspace(fit.shape_low, fit.shape_high, 5)[1:-1]:
        cut = region.sample.at(float(shape))
        for floor in (region.floor, cut.highest - 1e-4, cut.highest - 40):
            if floor > cut.highest:
                continue
            low, high = cut.edges(floor)
            assert low < cut.level < high
            for edge, far in ((low, cut.level - 60), (high, cut.level + 200)):
                ends = sorted((cut.level, far))
                halved = optimize.brentq(
                    lambda at, cut=cut, floor=floor: cut.value(at) - floor, *ends, xtol=1e-13
                )
                assert edge == pytest.approx(halved, rel=1e-9, abs=1e-7 * abs(edge - cut.level))
