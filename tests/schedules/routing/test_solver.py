"""Rounds found by the solver, held against the checker and against trying everything."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations, product

import pytest

from schedules.routing.checker import time_route
from schedules.routing.problem import DAY, Problem, Stop
from schedules.routing.solver import Plan, iterations, plan_routes
from tests.schedules.routing.problems import HOUR, draw_problem, on_a_line, shift


def planned(problem: Problem, number: int = 120, seed: int = 1) -> Plan:
    """Plan with few iterations."""
    return plan_routes(problem, search=iterations(number), seed=seed)


def told(plan: Plan) -> list[tuple[object, object, int]]:
    """List who is where when."""
    return [(each.shift.key, timed.stop.key, timed.begins) for each in plan.routes for timed in each.stops]


@pytest.mark.parametrize("seed", range(8))
def test_a_plan_keeps_all_that_was_said(seed: int) -> None:
    problem = draw_problem(seed)
    plan = planned(problem)
    shifts = {each.key: each for each in problem.shifts}
    stops = {each.key: each for each in problem.stops}
    where: dict[object, list[tuple[object, int]]] = {}
    for key, stop, begins in told(plan):
        where.setdefault(stop, []).append((key, begins))
    for each in plan.routes:
        assert each.short == 0
        assert each.lunch is not None or not each.shift.lunch
        assert each.shift.begins <= each.leaves <= each.back <= each.shift.ends
    left = {each.stop.key for each in plan.unassigned}
    assert left | set(where) == set(stops)
    assert not left & set(where)
    for key, times in where.items():
        stop = stops[key]
        assert len(times) == stop.persons
        assert len({begins for _, begins in times}) == 1
        assert len({shifts[at].person for at, _ in times}) == stop.persons
        assert max(shifts[at].level for at, _ in times) >= stop.level
        assert not stop.windows or any(a <= times[0][1] <= b for a, b in stop.windows)
    assert where["agreed"] == [(0, 10 * HOUR)]


def test_the_same_input_gives_the_same_week() -> None:
    once, again = (told(planned(draw_problem(3))) for _ in range(2))
    assert once == again
    assert told(planned(draw_problem(3), seed=2))


@pytest.mark.parametrize("seed", range(5))
def test_small_rounds_are_the_best_there_are(seed: int) -> None:
    whole = draw_problem(seed, people=2, days=1, visits=5, lunch=False)
    stops = [Stop(key=each.key, place=each.place, seconds=1800) for each in whole.stops[:5]]
    problem = Problem(stops, whole.shifts, whole.travel)
    best = min(
        sum(
            time_route(
                problem, one, [stop for stop, who in zip(order, whose, strict=True) if who == number]
            ).driving
            for number, one in enumerate(problem.shifts)
        )
        for order in permutations(stops)
        for whose in product(range(2), repeat=5)
    )
    plan = planned(problem, 400)
    assert not plan.unassigned
    assert sum(each.driving for each in plan.routes if each.stops) == best


def test_what_is_urgent_comes_early() -> None:
    shifts = [shift(day, day=day, person=0) for day in range(5)]
    long = [Stop(key=number, place=1, seconds=7 * HOUR, prize=4 * HOUR) for number in range(4)]
    urgent = Stop(key="urgent", place=1, seconds=7 * HOUR, prize=40 * HOUR, urgency=0.15)
    plan = planned(Problem([*long, urgent], shifts, on_a_line(0, 20)))
    begins = {stop: moment for _, stop, moment in told(plan)}
    assert begins["urgent"] < DAY
    assert not plan.unassigned


@pytest.mark.parametrize("seed", range(6))
def test_what_must_come_soonest_is_first_where_somebody_reaches_it_first(seed: int) -> None:
    """It stands before all that is not agreed; an agreed stop stays, and a window is kept."""
    whole = draw_problem(seed, visits=16)
    dangers = [replace(stop, soonest=True, prize=60 * HOUR) for stop in whole.stops[4:7]]
    problem = replace(whole, stops=[*whole.stops[:4], *dangers, *whole.stops[7:]])
    plan = planned(problem)
    agreed = next(stop for stop in problem.stops if stop.at is not None)
    urgent = {stop.key for stop in dangers}
    where = {timed.stop.key: timed for each in plan.routes for timed in each.stops}
    assert urgent <= set(where)
    for each in plan.routes:
        assert each.short == 0
        keys = [timed.stop.key for timed in each.stops]
        # What stands right before a danger is another one, or agreed: nothing else holds it up.
        assert {keys[place - 1] for place in range(1, len(keys)) if keys[place] in urgent} <= urgent | {
            "agreed"
        }
    assert all(where[stop.key].begins < DAY for stop in dangers)
    danger = dangers[0]
    ways = [
        time_route(problem, each, order)
        for each in problem.shifts
        if problem.may_take(each, danger)
        for order in ([[danger, agreed], [agreed, danger]] if each.key in agreed.only else [[danger]])
    ]
    begins = [timed.begins for way in ways if not way.short for timed in way.stops if timed.stop is danger]
    assert where[danger.key].begins == min(begins)
    assert where["agreed"].begins == 10 * HOUR


def test_what_must_come_soonest_does_not_wait_for_lunch_before_an_agreed_visit() -> None:
    day = shift(1, lunch=True)
    agreed = Stop(key="agreed", place=1, seconds=HOUR, at=13 * HOUR + 1800, only=frozenset({1}))
    danger = Stop(key="danger", place=2, seconds=900, soonest=True, prize=60 * HOUR)
    plan = planned(Problem([agreed, danger], [day], on_a_line(0, 20, 10)))
    assert [(timed.stop.key, timed.begins) for timed in plan.routes[0].stops] == [
        ("danger", 8 * HOUR + 600),
        ("agreed", 13 * HOUR + 1800),
    ]


def test_a_danger_after_an_earlier_stop_does_not_wait_for_lunch_before_an_agreed_visit() -> None:
    day = shift(1, lunch=True)
    early = Stop(key="early", place=1, seconds=900, at=8 * HOUR + 1800, only=frozenset({1}))
    agreed = Stop(key="agreed", place=1, seconds=HOUR, at=13 * HOUR + 1800, only=frozenset({1}))
    danger = Stop(key="danger", place=2, seconds=HOUR, soonest=True, prize=60 * HOUR)
    plan = planned(Problem([early, agreed, danger], [day], on_a_line(0, 20, 35)))
    assert [(timed.stop.key, timed.begins) for timed in plan.routes[0].stops] == [
        ("early", 8 * HOUR + 1800),
        ("danger", 9 * HOUR),
        ("agreed", 13 * HOUR + 1800),
    ]


def test_two_people_reach_what_must_come_soonest_together_and_first() -> None:
    shifts = [shift(person * 10 + day, day=day, person=person) for person in (1, 2) for day in (0, 1)]
    danger = Stop(key="danger", place=2, seconds=HOUR, persons=2, soonest=True, prize=60 * HOUR)
    rest = [Stop(key=number, place=1, seconds=2 * HOUR) for number in range(6)]
    plan = planned(Problem([*rest, danger], shifts, on_a_line(0, 5, 40)))
    firsts = [each.stops[0] for each in plan.routes if each.stops and each.shift.day == 0]
    assert [(timed.stop.key, timed.begins) for timed in firsts] == [("danger", 8 * HOUR + 40 * 60)] * 2
    nobody = planned(Problem([danger], shifts[:2], on_a_line(0, 5, 40)))
    assert [each.why for each in nobody.unassigned] == ["two"]
    far = replace(danger, persons=1, windows=((7 * DAY, 7 * DAY),))
    assert [each.why for each in planned(Problem([far], shifts, on_a_line(0, 5, 40))).unassigned] == [
        "window"
    ]


def test_progress_is_told_and_nothing_to_plan_is_no_error() -> None:
    heard: list[tuple[int, int]] = []
    plan_routes(draw_problem(1), search=iterations(100, lambda done, whole: heard.append((done, whole))))
    assert heard[-1] == (100, 100)
    empty = planned(Problem([], [], on_a_line(0)))
    assert (empty.routes, empty.unassigned) == ((), ())
    alone = planned(Problem([Stop(key=1, place=0, seconds=60)], [], on_a_line(0)))
    assert [each.why for each in alone.unassigned] == ["nobody"]


def test_a_van_holds_so_much() -> None:
    stops = [Stop(key=number, place=number, seconds=600, load=3) for number in (1, 2, 3)]
    shifts = [shift(number, capacity=6) for number in (1, 2)]
    plan = planned(Problem(stops, shifts, on_a_line(0, 10, 20, 30)))
    assert not plan.unassigned
    assert sorted(len(each.stops) for each in plan.routes) == [1, 2]
