"""The estimators once more, slow and plain: loops over records, written from the definitions."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

Row = tuple[float, float, int, object]
"""Start, stop, events at stop, site."""


class Step(NamedTuple):
    """What a curve says after one age: the age, items at risk, events, the value and its variance."""

    age: float
    at_risk: int
    events: int
    value: float
    variance: float


def at_risk(rows: Sequence[Row], age: float) -> list[Row]:
    """List the rows under watch at an age: begun before it, not ended before it."""
    return [row for row in rows if row[0] < age <= row[1]]


def event_ages(rows: Sequence[Row]) -> list[float]:
    """List the ages at which something happened to a row of some length."""
    return sorted({row[1] for row in rows if row[2] and row[0] < row[1]})


def kaplan_meier(rows: Sequence[Row], *, from_age: float = 0.0, by_site: bool = False) -> list[Step]:
    """Multiply up the shares that did not fail, with Greenwood's variance or that of the sites."""
    steps: list[Step] = []
    survival, greenwood = 1.0, 0.0
    pulls = dict.fromkeys((row[3] for row in rows), 0.0)
    for age in event_ages(rows):
        if age <= from_age:
            continue
        watched = at_risk(rows, age)
        y, d = len(watched), sum(row[2] for row in watched if row[1] == age)
        survival *= 1 - d / y
        if y > d:
            greenwood += d / (y * (y - d))
            for row in watched:
                pulls[row[3]] += ((row[2] if row[1] == age else 0) - d / y) / (y - d)
        else:
            greenwood = math.nan
            pulls = dict.fromkeys(pulls, math.nan)
        log_variance = sum(pull**2 for pull in pulls.values()) if by_site else greenwood
        steps.append(Step(age, y, d, survival, survival**2 * log_variance))
    return steps


def mean_cumulative(rows: Sequence[Row]) -> list[Step]:
    """Add up failures over items at risk, with the squared pulls of the sites."""
    steps: list[Step] = []
    mean = 0.0
    pulls = dict.fromkeys((row[3] for row in rows), 0.0)
    for age in event_ages(rows):
        watched = at_risk(rows, age)
        y, d = len(watched), sum(row[2] for row in watched if row[1] == age)
        mean += d / y
        for row in watched:
            pulls[row[3]] += ((row[2] if row[1] == age else 0) - d / y) / y
        steps.append(Step(age, y, d, mean, sum(pull**2 for pull in pulls.values())))
    return steps


def two_sample(rows: Sequence[Row], group: Sequence[int]) -> float:
    """Give the chi-square of the weighted difference of two mean cumulative functions, pooled increments."""
    score = 0.0
    pulls = dict.fromkeys((row[3] for row in rows), 0.0)
    pairs = list(zip(rows, group, strict=True))
    for age in event_ages(rows):
        watched = [(row, kind) for row, kind in pairs if row[0] < age <= row[1]]
        sizes = [sum(1 for _, kind in watched if kind == each) for each in (0, 1)]
        failures = [sum(row[2] for row, kind in watched if kind == each and row[1] == age) for each in (0, 1)]
        if min(sizes) == 0:
            continue
        weight = sizes[0] * sizes[1] / sum(sizes)
        pooled = sum(failures) / sum(sizes)
        score += weight * (failures[0] / sizes[0] - failures[1] / sizes[1])
        for row, kind in watched:
            happened = row[2] if row[1] == age else 0
            pulls[row[3]] += (1 if kind == 0 else -1) * weight / sizes[kind] * (happened - pooled)
    return score**2 / sum(pull**2 for pull in pulls.values())


def log_rank(rows: Sequence[Row], group: Sequence[int]) -> tuple[float, float, float]:
    """Give observed, expected and the hypergeometric variance of the failures of group 0 against group 1."""
    observed = expected = variance = 0.0
    pairs = list(zip(rows, group, strict=True))
    for age in event_ages(rows):
        watched = [(row, kind) for row, kind in pairs if row[0] < age <= row[1]]
        y = len(watched)
        d = sum(row[2] for row, _ in watched if row[1] == age)
        first = sum(1 for _, kind in watched if kind == 0)
        observed += sum(row[2] for row, kind in watched if kind == 0 and row[1] == age)
        expected += d * first / y
        if y > 1:
            variance += d * (y - d) / (y - 1) * first / y * (1 - first / y)
    return observed, expected, variance


def poisson_tail(mean: float, at_most: int) -> float:
    """Give the chance of at most so many events, term by term."""
    return sum(math.exp(-mean + k * math.log(mean) - math.lgamma(k + 1)) for k in range(at_most + 1))


def binomial_tail(n: int, p: float, at_most: int) -> float:
    """Give the chance of at most so many successes, term by term."""
    return sum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(at_most + 1))


def bisect(function: Callable[[float], float], low: float, high: float) -> float:
    """Find where an increasing function crosses zero."""
    for _ in itertools.repeat(None, 200):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) < 0 else (low, middle)
    return (low + high) / 2


def design_effect(rows: Sequence[tuple[float, float, object, object]]) -> float:
    """Give the spread of the counts over the Poisson spread; rows are events, exposure, site, group."""
    rates = {}
    for kind in {row[3] for row in rows}:
        mine = [row for row in rows if row[3] == kind]
        rates[kind] = sum(row[0] for row in mine) / sum(row[1] for row in mine)
    cells: dict[tuple[object, object], float] = {}
    for events, exposure, site, kind in rows:
        cells[site, kind] = cells.get((site, kind), 0.0) + events - rates[kind] * exposure
    k = len(cells)
    return max(1.0, k / (k - 1) * sum(gap**2 for gap in cells.values()) / sum(row[0] for row in rows))


def weibull(rows: Sequence[Row], last_good: Sequence[float] | None, shape: float, scale: float) -> float:
    """Give the log-likelihood of a Weibull life, record by record."""
    total = 0.0
    for number, (entry, stop, failed, _) in enumerate(rows):
        if entry == stop:
            continue
        hazards = [(age / scale) ** shape for age in (entry, stop)]
        good = math.nan if last_good is None else float(last_good[number])
        if failed and not math.isnan(good):
            total += math.log(math.exp(-((good / scale) ** shape)) - math.exp(-hazards[1])) + hazards[0]
        elif failed:
            total += math.log(shape / scale) + (shape - 1) * math.log(stop / scale) - hazards[1] + hazards[0]
        else:
            total += hazards[0] - hazards[1]
    return total


def power_law(
    events: Sequence[Sequence[float]], start: Sequence[float], stop: Sequence[float], shape: float
) -> float:
    """Give the log-likelihood of a power-law process at the rate that fits one shape best."""
    number = sum(len(ages) for ages in events)
    time = sum(last**shape - first**shape for first, last in zip(start, stop, strict=True))
    rate = number / time
    return sum(math.log(rate * shape * age ** (shape - 1)) for ages in events for age in ages) - number


def gamma_poisson(events: Sequence[int], exposure: Sequence[float], shape: float, rate: float) -> float:
    """Give the marginal log-likelihood of Poisson counts whose rates are gamma distributed."""
    total = 0.0
    for n, time in zip(events, exposure, strict=True):
        total += math.lgamma(shape + n) - math.lgamma(shape) - math.lgamma(n + 1)
        total += shape * math.log(rate / (rate + time)) + n * math.log(time / (rate + time))
    return total


def run_length(mean: float, *, allowance: float, threshold: float) -> float:
    """Give the average steps to the alarm of a Poisson sum on a lattice of halves, as a Markov chain."""
    states = int(2 * threshold) + 1
    step = int(2 * allowance)
    chances = [math.exp(-mean + k * math.log(mean) - math.lgamma(k + 1)) for k in range(states + step)]
    system = np.eye(states)
    for state in range(states):
        for count, chance in enumerate(chances):
            after = max(0, state + 2 * count - step)
            if after < states:
                system[state, after] -= chance
    return float(np.linalg.solve(system, np.ones(states))[0])
