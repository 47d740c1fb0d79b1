"""Timing rounds, by hand and against trying everything."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from schedules.routing.checker import Routes, Why, time_route
from schedules.routing.problem import DAY, Lunch, Problem, Shift, Stop
from tests.schedules.routing.problems import HOUR, draw_problem, on_a_line, shift


def stop(key: int, *, minutes: int = 60, **fields: object) -> Stop:
    """Give a stop at the place of its number."""
    return Stop(**{"key": key, "place": key, "seconds": minutes * 60} | fields)  # type: ignore[arg-type]


def test_a_round_is_timed_stop_by_stop() -> None:
    problem = Problem([stop(1), stop(2, minutes=30)], [shift()], on_a_line(0, 20, 50))
    route = time_route(problem, problem.shifts[0], problem.stops)
    assert [(each.arrives, each.begins, each.ends) for each in route.stops] == [
        (8 * HOUR + 1200, 8 * HOUR + 1200, 9 * HOUR + 1200),
        (9 * HOUR + 3000, 9 * HOUR + 3000, 10 * HOUR + 1200),
    ]
    assert (route.leaves, route.back) == (8 * HOUR, 11 * HOUR + 600)
    assert (route.driving, route.working, route.waiting, route.short) == (100 * 60, 90 * 60, 0, 0)


def test_who_would_wait_leaves_home_later() -> None:
    problem = Problem([stop(1, windows=((10 * HOUR, 11 * HOUR),))], [shift()], on_a_line(0, 20))
    route = time_route(problem, problem.shifts[0], problem.stops)
    assert (route.leaves, route.stops[0].begins, route.waiting) == (10 * HOUR - 1200, 10 * HOUR, 0)


def test_the_second_window_is_taken_when_the_first_is_missed() -> None:
    windows = ((8 * HOUR, 9 * HOUR), (14 * HOUR, 15 * HOUR))
    problem = Problem([stop(1, minutes=120), stop(2, windows=windows)], [shift()], on_a_line(0, 20, 20))
    route = time_route(problem, problem.shifts[0], problem.stops)
    assert route.stops[1].begins == 14 * HOUR
    assert route.short == 0
    late = time_route(
        Problem(
            [stop(1, minutes=480, windows=windows[:1]), stop(2, windows=windows)],
            [shift()],
            on_a_line(0, 20, 20),
        ),
        shift(),
        [stop(1, minutes=480), stop(2, windows=windows)],
    )
    # Ready at 16:20, 80 minutes after the last window; an hour of work and the way home go past 16:30.
    assert late.short == 80 * 60 + 70 * 60
    assert late.late_home == 70 * 60


@pytest.mark.parametrize(
    ("minutes", "lunch"),
    # At 12:20 and at 13:00 the first work is over; before 11:00 nobody eats.
    [(60, 11 * HOUR), (240, 12 * HOUR + 1200), (280, 13 * HOUR)],
)
def test_lunch_is_taken_where_it_costs_least(minutes: int, lunch: int) -> None:
    problem = Problem([stop(1, minutes=minutes), stop(2)], [shift(lunch=True)], on_a_line(0, 20, 30))
    route = time_route(problem, problem.shifts[0], problem.stops)
    assert route.lunch == (lunch, lunch + 1800)
    assert (route.short, route.waiting >= 0) == (0, True)


def test_a_day_without_a_gap_for_lunch_is_short() -> None:
    long = stop(1, minutes=6 * 60)
    problem = Problem([long], [shift(lunch=True)], on_a_line(0, 20), Lunch(latest=12 * HOUR))
    before = time_route(problem, problem.shifts[0], [long])
    # Lunch on arrival would be too early, so work begins at half past eleven at the earliest.
    assert before.lunch == (11 * HOUR, 11 * HOUR + 1800)
    assert before.short == before.late_home == (11 * HOUR + 1800 + 6 * HOUR + 1200) - (16 * HOUR + 1800)


@pytest.mark.parametrize("seed", range(12))
def test_the_best_place_of_a_stop_is_the_one_trying_all_finds(seed: int) -> None:
    dice = np.random.default_rng(seed)
    places = sorted(dice.integers(0, 90, 5).tolist())
    problem = Problem([stop(number, minutes=40) for number in range(1, 5)], [shift()], on_a_line(*places))
    routes = Routes(problem)
    routes.fill()
    best = min(time_route(problem, problem.shifts[0], order).driving for order in permutations(problem.stops))
    # Along a road the shortest way is out to the last place and back: found whatever the order of filling.
    assert routes.timed(0).driving == best == 2 * 60 * max(abs(place - places[0]) for place in places)


def why(problem: Problem) -> Why:
    """Say why the last stop of a problem is left over."""
    routes = Routes(problem)
    routes.fill()
    by_key = {each.stop.key: each for each in routes.explain()}
    return by_key[problem.stops[-1].key].why


def one(only_stop: Stop, *shifts: Shift) -> Problem:
    """Give a problem of one stop."""
    return Problem([only_stop], shifts, on_a_line(0, 20))


def test_what_is_unassigned_is_explained() -> None:
    assert why(one(stop(1))) == Why.NOBODY
    assert why(one(stop(1, level=3), shift(level=2))) == Why.SKILL
    assert why(one(stop(1, persons=2), shift(1), shift(2, day=1))) == Why.TWO
    assert why(one(stop(1, windows=((6 * HOUR, 7 * HOUR),)), shift())) == Why.WINDOW
    assert why(one(stop(1, minutes=9 * 60), shift())) == Why.TOO_LONG
    assert why(one(stop(1, only=frozenset({7})), shift())) == Why.NO_DAY
    full = Problem([stop(1, minutes=300, prize=9999), stop(2, minutes=200)], [shift()], on_a_line(0, 20, 20))
    routes = Routes(full)
    routes.fill()
    [left] = routes.explain()
    # 300 + 200 minutes of work and 40 of driving, in a day of 510 minutes.
    assert (left.why, left.shift, left.missing) == (Why.FULL, 0, 30 * 60)


def test_work_for_two_begins_for_both_at_once() -> None:
    stops = [stop(1, persons=2), stop(2, minutes=45)]
    problem = Problem(stops, [shift(1), shift(2, home=2)], on_a_line(0, 20, 50))
    routes = Routes(problem)
    routes.fill()
    begins = [timed.begins for key in (1, 2) for timed in routes.timed(key).stops if timed.stop.key == 1]
    assert begins == [8 * HOUR + 30 * 60] * 2
    assert not routes.explain()


def test_agreed_stops_stay_even_where_they_cannot_be_kept() -> None:
    agreed = [
        Stop(key=key, place=key, seconds=HOUR, at=10 * HOUR + 600 * key, only=frozenset({0}))
        for key in (1, 2)
    ]
    problem = Problem(agreed, [shift()], on_a_line(0, 20, 50))
    routes = Routes(problem, agreed={1, 2})
    for each in reversed(agreed):
        routes.put_agreed(0, each)
    routes.make_keepable()
    route = routes.timed(0)
    assert [timed.stop.key for timed in route.stops] == [1, 2]
    assert (
        route.short == 80 * 60
    )  # an hour of work and half an hour to drive, for which ten minutes are agreed


def test_what_can_not_be_is_refused() -> None:
    with pytest.raises(ValueError, match="square table"):
        Problem([], [], np.zeros((2, 3), dtype=np.int64))
    with pytest.raises(ValueError, match="none from a place to itself"):
        Problem([], [], np.eye(2, dtype=np.int64))
    with pytest.raises(ValueError, match="places run from 0 to 1"):
        Problem([stop(2)], [], on_a_line(0, 1))
    with pytest.raises(ValueError, match="stop comes twice"):
        Problem([stop(1), stop(1)], [], on_a_line(0, 1))


@pytest.mark.parametrize("seed", range(6))
def test_a_filled_week_holds_what_was_asked(seed: int) -> None:
    problem = draw_problem(seed)
    routes = Routes(problem, agreed={"agreed"})
    routes.put_agreed(0, problem.stops[-1])
    routes.fill()
    assert all(not routes.timed(each.key).short for each in problem.shifts)
    assert routes.timed(0).shift.day * DAY == 0
