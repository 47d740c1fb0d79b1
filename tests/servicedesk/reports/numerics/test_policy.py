"""Replacement, renewal and inspection intervals, held against closed forms and direct minimization."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from servicedesk.reports.numerics.prediction.policy import Policy, age_replacement, inspection, minimal_repair
from tests.servicedesk.reports.numerics.fleets import unhurried
from tests.servicedesk.reports.numerics.published import Check


def replacement_cost(age: float, shape: float, scale: float, planned: float, failure: float) -> float:
    """Give the cost rate from its definition, the integral done numerically."""
    survival = math.exp(-((age / scale) ** shape))
    lived, _ = integrate.quad(lambda t: math.exp(-((t / scale) ** shape)), 0, age, limit=200)
    return (planned * survival + failure * (1 - survival)) / lived


def holds_within_five_percent(policy: Policy, cost: Callable[[float], float]) -> None:
    """Check that the cost is 1.05 times the least at both ends of the range, and nowhere below it."""
    for end in (policy.shortest, policy.longest):
        if math.isfinite(end):
            assert cost(end) == pytest.approx(1.05 * policy.cost_rate, rel=1e-6)
    for age in (policy.shortest * 0.9, policy.interval, policy.interval * 1.1):
        assert cost(age) >= policy.cost_rate * (1 - 1e-9)


class TestAgeReplacement:
    """Replacing a part that wears out before it fails."""

    def test_first_order_condition(self) -> None:
        check = Check("age_replacement_weibull")
        values = check.input
        policy = age_replacement(values["beta"], values["eta"], values["cp"], values["cf"])
        check.holds("t_opt", policy.interval)
        check.holds("cost_rate", policy.cost_rate)

    def test_shape_two_by_hand(self) -> None:
        # The hazard is 2t, so 2t * integral of exp(-u^2) - (1 - exp(-t^2)) = planned / (failure - planned).
        policy = age_replacement(2, 1, 1, 3)
        t = policy.interval
        assert 2 * t * math.sqrt(math.pi) / 2 * math.erf(t) - (1 - math.exp(-t * t)) == pytest.approx(0.5)
        assert policy.cost_rate == pytest.approx(2 * 2 * t)

    @pytest.mark.parametrize(("shape", "failure"), [(1.3, 20.0), (2.0, 4.0), (5.0, 1.5)])
    def test_like_direct_minimization(self, shape: float, failure: float) -> None:
        policy = age_replacement(shape, 800, 1, failure)
        optimum = optimize.minimize_scalar(
            lambda age: replacement_cost(age, shape, 800, 1, failure), bounds=(10, 4000), method="bounded"
        )
        assert policy.interval == pytest.approx(optimum.x, rel=1e-3)
        assert policy.cost_rate == pytest.approx(optimum.fun, rel=1e-8)
        holds_within_five_percent(policy, lambda age: replacement_cost(age, shape, 800, 1, failure))

    def test_cost_like_the_expected_life_of_scipy(self) -> None:
        policy = age_replacement(2.5, 1000, 1, 5)
        life = stats.weibull_min(2.5, scale=1000)
        lived = life.expect(lambda t: t, ub=policy.interval) + policy.interval * life.sf(policy.interval)
        assert policy.cost_rate == pytest.approx((1 + 4 * life.cdf(policy.interval)) / lived)

    @pytest.mark.parametrize(
        ("shape", "failure"), [(1.0, 9.0), (0.7, 9.0), (3.0, 2.0), (3.0, 1.0), (1.001, 2.02)]
    )
    def test_waiting_for_the_failure_where_nothing_is_gained(self, shape: float, failure: float) -> None:
        policy = age_replacement(shape, 50, 2, failure)
        assert (policy.interval, policy.longest) == (math.inf, math.inf)
        assert policy.cost_rate == pytest.approx(failure / (50 * math.gamma(1 + 1 / shape)))
        assert replacement_cost(policy.shortest, shape, 50, 2, failure) == pytest.approx(
            1.05 * policy.cost_rate
        )

    @unhurried
    @given(st.floats(1.2, 6), st.floats(1.5, 30), st.floats(0.01, 100), st.floats(0.01, 100))
    def test_units_of_time_and_money_do_not_matter(
        self, shape: float, failure: float, unit: float, money: float
    ) -> None:
        policy = age_replacement(shape, 1, 1, failure)
        scaled = age_replacement(shape, unit, money, failure * money)
        assert scaled.interval == pytest.approx(policy.interval * unit, rel=1e-6)
        assert scaled.cost_rate == pytest.approx(policy.cost_rate * money / unit, rel=1e-9)


class TestMinimalRepair:
    """Renewing an item that is repaired when it fails."""

    @pytest.mark.parametrize("shape", [1.2, 2.0, 3.5])
    def test_like_direct_minimization(self, shape: float) -> None:
        def cost(age: float) -> float:
            return (30 + 4 * 0.01 * age**shape) / age

        policy = minimal_repair(shape, 0.01, 30, 4)
        optimum = optimize.minimize_scalar(
            lambda u: cost(math.exp(u)), bounds=(-3, 14), method="bounded", options={"xatol": 1e-10}
        )
        assert policy.interval == pytest.approx(math.exp(optimum.x), rel=1e-4)
        assert policy.cost_rate == pytest.approx(cost(policy.interval))
        holds_within_five_percent(policy, cost)

    def test_barlow_and_hunters_condition(self) -> None:
        # At the best age the failures since renewal cost planned / (shape - 1).
        policy = minimal_repair(2.5, 0.02, 40, 7)
        assert 7 * 0.02 * policy.interval**2.5 == pytest.approx(40 / 1.5)

    @pytest.mark.parametrize(("shape", "cost_rate"), [(1.0, 0.4), (0.5, 0.0)])
    def test_never_renewing_what_does_not_get_worse(self, shape: float, cost_rate: float) -> None:
        policy = minimal_repair(shape, 0.1, 3, 4)
        assert (policy.interval, policy.longest) == (math.inf, math.inf)
        assert policy.cost_rate == pytest.approx(cost_rate)
        assert policy.shortest == pytest.approx(3 / (0.05 * 0.4) if cost_rate else math.inf)


class TestInspection:
    """Looking for defects that do not show themselves."""

    @unhurried
    @given(st.floats(1e-4, 10), st.floats(0.1, 1e3), st.floats(0.1, 1e3))
    def test_square_root_rule(self, rate: float, look: float, hidden: float) -> None:
        policy = inspection(rate, look, hidden)
        assert policy.interval == pytest.approx(math.sqrt(2 * look / (rate * hidden)))
        assert policy.cost_rate == pytest.approx(math.sqrt(2 * look * rate * hidden))
        holds_within_five_percent(policy, lambda t: look / t + rate * hidden * t / 2)

    def test_no_defects_no_inspections(self) -> None:
        assert inspection(0, 5, 5) == Policy(
            interval=math.inf, cost_rate=0, shortest=math.inf, longest=math.inf
        )


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: age_replacement(0, 1, 1, 1), "shape must be above zero"),
        (lambda: age_replacement(1e-3, 1, 1, 1), "shape is too close to zero"),
        (lambda: age_replacement(2, 1, -1, 1), "planned_cost cannot be negative"),
        (lambda: minimal_repair(2, 0, 1, 1), "rate must be above zero"),
        (lambda: inspection(-1, 1, 1), "rate cannot be negative"),
        (lambda: inspection(1, 1, math.nan), "hidden_cost is not a finite number"),
    ],
)
def test_bad_input_is_answered_by_a_sentence(call: Callable[[], Policy], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
