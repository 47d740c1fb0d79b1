"""Rounds: published instances against PyVRP used bare in the same run, and a week of five people.

Give the folder with Solomon's 100-customer instances (Operations Research 35(2), 1987, 254-265) as
``--instances`` or in ROUND_INSTANCES: a file each, with columns number, x, y, demand, ready, due, service,
the first row the depot; capacity 200, 25 vans. Travel is truncated to one decimal and least travel is sought
(the convention of the 12th DIMACS Implementation Challenge); best known totals under it, from the lists of
VRPLIB and DIMACS. Without a folder only the week is planned.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from pathlib import Path

import numpy as np
import pyvrp

from schedules.routing.problem import DAY, Problem, Shift, Stop
from schedules.routing.solver import ITERATIONS, NEVER_LEFT_OUT, Stopping, iterations, plan_routes
from schedules.routing.travel import drive_seconds

BEST_KNOWN = {"C101": 8273, "R101": 16377, "R112": 9486, "RC101": 16198}
SEEDS = (1, 2, 3)
SECONDS = 5.0


def read_instance(path: Path) -> Problem:
    """Read an instance in tenths of its units."""
    rows = np.loadtxt(path)
    travel = np.floor(10 * np.hypot(*(rows[:, None, 1:3] - rows[None, :, 1:3]).transpose(2, 0, 1)))
    begins, ends = (int(10 * value) for value in rows[0, 4:6])
    stops = [
        Stop(
            key=number,
            place=number,
            seconds=int(10 * row[6]),
            prize=NEVER_LEFT_OUT,
            windows=((int(10 * row[4]), int(10 * row[5])),),
            load=int(row[3]),
        )
        for number, row in enumerate(rows)
        if number
    ]
    vans = [
        Shift(key=each, person=each, home=0, begins=begins, ends=ends, capacity=200) for each in range(25)
    ]
    return Problem(stops, vans, travel.astype(np.int64))


def for_seconds(seconds: float) -> Stopping:
    """End a search after some time."""
    until = time.perf_counter() + seconds

    def stop(best_cost: int) -> bool:
        return time.perf_counter() > until

    return stop


def bare(problem: Problem, seed: int) -> float:
    """Give the same instance to PyVRP without any of our code."""
    vans = pyvrp.VehicleType(25, [200], tw_early=problem.shifts[0].begins, tw_late=problem.shifts[0].ends)
    data = pyvrp.ProblemData(
        [pyvrp.Location(0, 0)] * len(problem.travel),
        [
            pyvrp.Client(
                location=stop.place,
                delivery=[stop.load],
                service_duration=stop.seconds,
                tw_early=stop.windows[0][0],
                tw_late=stop.windows[0][1],
            )
            for stop in problem.stops
        ],
        [pyvrp.Depot(0)],
        [vans],
        [problem.travel],  # type: ignore[list-item]
        [problem.travel],  # type: ignore[list-item]
    )
    return pyvrp.solve(data, for_seconds(SECONDS), seed=seed, collect_stats=False, display=False).cost()


def measure_instances(folder: Path) -> None:
    """Print the gaps to the best known, ours and the bare library's."""
    gaps: dict[str, list[float]] = {"ours": [], "bare": []}
    for name, best in BEST_KNOWN.items():
        problem = read_instance(folder / f"{name}.txt")
        for seed in SEEDS:
            plan = plan_routes(problem, search=lambda share: for_seconds(share * SECONDS), seed=seed)
            assert not plan.unassigned
            assert not any(each.short for each in plan.routes)
            ours = sum(each.driving for each in plan.routes if each.stops)
            theirs = bare(problem, seed)
            gaps["ours"].append(100 * (ours / best - 1))
            gaps["bare"].append(100 * (theirs / best - 1))
            print(
                f"{name}, seed {seed}, {SECONDS:.0f} s: {ours / 10:.1f}, {gaps['ours'][-1]:.2f} % above the"
                f" best known; PyVRP bare {theirs / 10:.1f}; ratio {ours / theirs:.4f}"
            )
    ours, theirs = (statistics.mean(gaps[which]) for which in ("ours", "bare"))
    print(
        f"mean gap {ours:.2f} %, PyVRP bare {theirs:.2f} %; our model is {ours - theirs:+.2f} points from it"
    )


def draw_week(seed: int) -> Problem:
    """Draw a week of five people and 150 stops, with lunch, skills, windows and work for two."""
    dice = np.random.default_rng(seed)
    people, visits = 5, 150
    latitudes, longitudes = 40 + dice.normal(0, 0.12, 155), -74 + dice.normal(0, 0.16, 155)
    shifts = [
        Shift(
            key=(person, day),
            person=person,
            home=visits + person,
            begins=day * DAY + 8 * 3600,
            ends=day * DAY + 16 * 3600 + 1800,
            level=2 + person % 2,
            lunch=True,
        )
        for person in range(people)
        for day in range(5)
    ]
    stops = []
    for number in range(visits):
        day = int(dice.integers(5))
        morning = ((day * DAY + 8 * 3600, day * DAY + 12 * 3600),) if number % 5 == 0 else ()
        stops.append(
            Stop(
                key=number,
                place=number,
                seconds=int(dice.integers(20, 90)) * 60,
                prize=int(dice.choice([2, 4, 10])) * 3600,
                windows=morning,
                level=3 if number % 9 == 0 else 2,
                persons=2 if number % 30 == 7 else 1,
                urgency=0.1 if number % 11 == 0 else 0,
            )
        )
    return Problem(stops, shifts, drive_seconds(list(latitudes), list(longitudes)))


def measure_week() -> None:
    """Print how long a week takes and what it holds."""
    problem = draw_week(1)
    begin = time.perf_counter()
    plan = plan_routes(problem, search=iterations(ITERATIONS))
    took = time.perf_counter() - begin
    placed = len(problem.stops) - len(plan.unassigned)
    print(
        f"a week of 5 people and 150 stops, {ITERATIONS:,} iterations: {took:.1f} s, {placed} placed,"
        f" {sum(each.driving for each in plan.routes) / 3600:.0f} h of driving,"
        f" {sum(each.short > 0 for each in plan.routes)} rounds that can't be kept"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Measure the planning of rounds.")
    default_folder = os.environ.get("ROUND_INSTANCES")
    parser.add_argument(
        "--instances", type=Path, default=default_folder, help="a folder with Solomon's instances"
    )
    folder: Path | None = parser.parse_args().instances
    measure_week()
    if folder is None:
        print("no published instances measured: name their folder with --instances")
    else:
        measure_instances(folder)


if __name__ == "__main__":
    main()
