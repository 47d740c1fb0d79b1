"""Chances of failure modes: by hand, against a naive twin, and calibrated on simulated findings."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from servicedesk.reports.numerics.prediction.likely import backed_off_chances, smallest_load

COUNTS = st.lists(st.integers(0, 50), min_size=4, max_size=4)


def test_the_posterior_mean_of_a_multinomial() -> None:
    # Gelman et al., Bayesian Data Analysis, 3rd ed., section 3.4: (count + a_i) / (n + a), here with the
    # prior (1/2, 1/4, 1/4) worth 8 records and 4, 2 and 2 records of each: the shares stay as they are.
    assert backed_off_chances([2, 1, 1], [[4, 2, 2]]).chances == pytest.approx([0.5, 0.25, 0.25])
    estimate = backed_off_chances([2, 1, 1], [[0, 8, 0]])
    assert estimate.chances == pytest.approx([4 / 16, 10 / 16, 2 / 16])
    # The same by scipy's Dirichlet distribution.
    assert estimate.chances == pytest.approx(stats.dirichlet.mean([4, 10, 2]))
    assert (estimate.own_records, estimate.all_records) == (8, 8)


def test_each_level_backs_off_to_the_one_above() -> None:
    estimate = backed_off_chances([1, 1], [[30, 10], [0, 0]])
    assert estimate.chances == pytest.approx([34 / 48, 14 / 48])
    assert (estimate.own_records, estimate.all_records) == (0, 40)
    assert backed_off_chances([1, 1], [[30, 10], [0, 4000]]).chances[1] > 0.99


@given(st.lists(st.floats(0.1, 20), min_size=4, max_size=4), st.lists(COUNTS, max_size=3))
def test_a_naive_twin_says_the_same(prior: list[float], levels: list[list[int]]) -> None:
    naive = [each / sum(prior) for each in prior]
    for level in levels:
        naive = [(n + 8 * p) / (sum(level) + 8) for n, p in zip(level, naive, strict=True)]
    chances = backed_off_chances(prior, levels).chances
    assert chances == pytest.approx(naive)
    assert sum(chances) == pytest.approx(1)


def test_what_can_not_be_has_no_chance() -> None:
    assert backed_off_chances([1, 0, 1], [[5, 90, 5]]).chances[1] == 0


@pytest.mark.parametrize(
    ("prior", "levels", "strength"),
    [
        ([0, 0], [], 8),
        ([1, -1], [], 8),
        ([], [], 8),
        ([1, np.nan], [], 8),
        ([1, 1], [[1]], 8),
        ([1, 1], [[1, -2]], 8),
        ([1, 1], [], 0),
    ],
)
def test_what_makes_no_sense_is_refused(prior: list[float], levels: list[list[int]], strength: float) -> None:
    with pytest.raises(ValueError, match=r"possible|same kinds|from 0 up|worth something"):
        backed_off_chances(prior, levels, strength=strength)


def test_chances_come_true_as_often_as_they_say() -> None:
    """Foretell simulated findings one after the other: among those given 20 to 30 %, about 25 % come true."""
    dice = np.random.default_rng(5)
    said, came = [], []
    for _ in range(60):
        overall = dice.dirichlet(np.full(6, 2.0))
        built = [dice.dirichlet(overall * 8) for _ in range(4)]
        every, own = np.zeros(6), np.zeros((4, 6))
        for _ in range(80):
            which = int(dice.integers(4))
            chances = backed_off_chances(np.ones(6), [every, own[which]]).chances
            mode = int(dice.choice(6, p=built[which]))
            said.extend(chances)
            came.extend(np.arange(6) == mode)
            every[mode] += 1
            own[which, mode] += 1
    chance, true = np.array(said), np.array(came)
    for low, high in ((0.05, 0.15), (0.15, 0.3), (0.3, 0.5), (0.5, 0.8)):
        band = (chance >= low) & (chance < high)
        assert band.sum() > 400
        assert true[band].mean() == pytest.approx(chance[band].mean(), abs=0.03)


def reached(stop: list[tuple[frozenset[int], float]], aboard: frozenset[int]) -> float:
    """Add up what can be finished with some parts."""
    return sum(chance for parts, chance in stop if parts <= aboard)


STOPS = st.lists(
    st.lists(
        st.tuples(st.frozensets(st.integers(0, 5), min_size=1, max_size=2), st.floats(0.05, 0.4)), max_size=4
    ),
    min_size=1,
    max_size=3,
)


@given(STOPS, st.floats(0, 1))
def test_each_stop_can_be_finished_as_often_as_asked_where_it_can_be(
    wanted: list[list[tuple[frozenset[int], float]]], level: float
) -> None:
    load = smallest_load(wanted, level=level)
    for stop in wanted:
        most = reached(stop, frozenset(range(6)))
        assert reached(stop, load) >= min(level, most) - 1e-9


def test_the_load_is_the_least_there_is_in_small_cases() -> None:
    pin, key, liner = (frozenset({number}) for number in range(3))
    stop = [(pin, 0.5), (key, 0.3), (liner, 0.2)]
    assert smallest_load([stop], level=0.5) == {0}
    assert smallest_load([stop], level=0.75) == {0, 1}
    least = min(
        (
            set(load)
            for size in range(4)
            for load in combinations(range(3), size)
            if reached(stop, frozenset(load)) >= 0.95
        ),
        key=len,
    )
    assert smallest_load([stop], level=0.95) == least
    with pytest.raises(ValueError, match="from 0 to 1"):
        smallest_load([stop], level=2)


@given(STOPS, st.floats(0, 1))
def test_no_smaller_load_would_do(wanted: list[list[tuple[frozenset[int], float]]], level: float) -> None:
    load = smallest_load(wanted, level=level)
    goals = [min(level, reached(stop, frozenset(range(6)))) - 1e-9 for stop in wanted]
    for fewer in combinations(range(6), max(0, len(load) - 1)):
        enough = all(
            reached(stop, frozenset(fewer)) >= goal for stop, goal in zip(wanted, goals, strict=True)
        )
        assert not enough or len(load) == 0


def test_many_parts_are_chosen_step_by_step() -> None:
    wanted = [[(frozenset({number}), 0.6), (frozenset({number + 50}), 0.4)] for number in range(20)]
    load = smallest_load(wanted, level=0.5)
    assert load == frozenset(range(20))
    assert len(smallest_load(wanted, level=0.9)) == 40
