"""Problems of rounds for tests: drawn at random, and small ones built by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from schedules.routing.problem import DAY, Problem, Shift, Stop
from schedules.routing.travel import drive_seconds

HOUR = 3600


def shift(key: int = 0, *, day: int = 0, home: int = 0, **fields: Any) -> Shift:
    """Give a working day from eight to half past four."""
    begins = day * DAY + 8 * HOUR
    return Shift(
        **{"key": key, "person": key, "home": home, "begins": begins, "ends": begins + 8 * HOUR + 1800}
        | fields
    )


def on_a_line(*positions: int) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Give the travel times of places along a road, in minutes from its beginning."""
    minutes = np.array(positions, dtype=np.int64)
    return np.abs(minutes[:, None] - minutes[None, :]) * 60


def draw_problem(
    seed: int, *, people: int = 2, days: int = 2, visits: int = 14, lunch: bool = True
) -> Problem:
    """Draw a problem with windows, skills, work for two, agreed stops and urgent ones."""
    dice = np.random.default_rng(seed)
    size = people + visits
    travel = drive_seconds(list(40 + dice.normal(0, 0.08, size)), list(-74 + dice.normal(0, 0.1, size)))
    shifts = [
        shift(person * 10 + day, day=day, home=person, person=person, level=2 + person % 2, lunch=lunch)
        for person in range(people)
        for day in range(days)
    ]
    stops = []
    for number in range(visits):
        day = int(dice.integers(days))
        fields: dict[str, Any] = {}
        match number % 7:
            case 0:
                fields["windows"] = ((day * DAY + 8 * HOUR, day * DAY + 12 * HOUR),)
            case 1:
                fields["windows"] = tuple(
                    (each * DAY + 13 * HOUR, each * DAY + 15 * HOUR) for each in range(days)
                )
            case 2:
                fields["level"] = 3
            case 3:
                fields["persons"] = 2
            case 4:
                fields |= {"urgency": 0.2, "prize": 8 * HOUR}
            case _:
                pass
        stops.append(
            Stop(
                **{"key": number, "place": people + number, "seconds": int(dice.integers(2, 9)) * 900}
                | fields
            )
        )
    agreed = {"at": 10 * HOUR, "only": frozenset({0})}
    stops.append(Stop(key="agreed", place=people, seconds=HOUR, **agreed))
    return Problem(stops, shifts, travel)
