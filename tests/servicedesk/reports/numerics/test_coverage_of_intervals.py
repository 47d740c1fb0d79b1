"""How often the intervals hold the truth when sites share a frailty: simulated with fixed seeds."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from servicedesk.reports.forecast.year import MONTHS, Past, forecast_year
from servicedesk.reports.numerics.counts.adjust import rate_regression
from servicedesk.reports.numerics.counts.conditional_poisson import fit_conditional
from servicedesk.reports.numerics.counts.empirical_bayes import shrink_rates
from servicedesk.reports.numerics.counts.jackknife import jackknife_rate
from servicedesk.reports.numerics.counts.rates import (
    design_effect,
    event_rate,
    rate_ratio,
    stratified_rate_ratio,
)
from servicedesk.reports.numerics.prediction.forecast import predict_count
from servicedesk.reports.numerics.survival.curves import kaplan_meier
from servicedesk.reports.numerics.survival.intensity import YEAR, Spans, fit_intensity
from servicedesk.reports.numerics.survival.recurrence import mean_cumulative, mean_cumulative_difference
from servicedesk.reports.numerics.survival.weibull import fit_weibull

ROUNDS = 400
SITES, ITEMS = 40, 6
SHAPE_OF_FRAILTY = 2.0


@dataclass(frozen=True)
class Draw:
    """Items of one made-up fleet: site, kind, watched ages, frailty of its site."""

    site: NDArray[np.int64]
    kind: NDArray[np.int64]
    entry: NDArray[np.float64]
    exit: NDArray[np.float64]
    frailty: NDArray[np.float64]
    rng: np.random.Generator

    @property
    def time(self) -> NDArray[np.float64]:
        return self.exit - self.entry

    def events(self, rate: NDArray[np.float64] | float) -> NDArray[np.int64]:
        """Draw failures at a constant rate times the frailty."""
        return self.rng.poisson(rate * self.frailty * self.time)


def draws(seed: int, *, rounds: int = ROUNDS) -> Iterator[Draw]:
    """Make fleets whose sites share a gamma frailty of mean one; kinds are mixed within sites."""
    rng = np.random.default_rng(seed)
    site = np.repeat(np.arange(SITES), ITEMS)
    for _ in range(rounds):
        entry = rng.choice([0.0, 0.0, 1.0, 2.0], site.size)
        yield Draw(
            site=site,
            kind=rng.integers(0, 2, site.size),
            entry=entry,
            exit=entry + rng.uniform(0.5, 4.0, site.size),
            frailty=rng.gamma(SHAPE_OF_FRAILTY, 1 / SHAPE_OF_FRAILTY, SITES)[site],
            rng=rng,
        )


def holds(covered: list[bool]) -> None:
    """Assert a coverage within three binomial errors of 90 to 99 per cent."""
    share, rounds = float(np.mean(covered)), len(covered)
    assert share >= 0.90 - 3 * math.sqrt(0.90 * 0.10 / rounds)
    assert share <= 0.99 + 3 * math.sqrt(0.99 * 0.01 / rounds)


def test_clustered_rate_holds_the_rate_and_the_plain_one_does_not() -> None:
    clustered, plain = [], []
    for draw in draws(1):
        events = draw.events(0.5)
        rate = jackknife_rate(events, draw.time, draw.site)
        clustered.append(rate.low <= 0.5 <= rate.high)
        alone = event_rate(rate.events, rate.exposure)
        plain.append(alone.low <= 0.5 <= alone.high)
    holds(clustered)
    assert np.mean(plain) < 0.85


def test_ratios_with_a_design_effect_hold_the_ratio() -> None:
    crude, stratified = [], []
    for draw in draws(2):
        # Whole sites are of one kind here: the hard case.
        kind, band = draw.site % 2, (draw.entry > 0).astype(int)
        events = draw.events(0.5 * np.where(kind == 0, 2.0, 1.0) * np.where(band, 1.5, 1.0))
        effect = design_effect(events, draw.time, draw.site, group=kind)
        groups = [[(band == layer) & (kind == each) for each in (0, 1)] for layer in (0, 1)]
        sums = [[(events[rows].sum(), draw.time[rows].sum()) for rows in layer] for layer in groups]
        (a, time_a), (b, time_b) = np.sum(sums, axis=0)
        ratio = rate_ratio(a, time_a, b, time_b, design_effect=effect)
        crude.append(ratio.low <= 2 <= ratio.high)
        table = np.array(sums)
        pooled = stratified_rate_ratio(
            table[:, 0, 0], table[:, 0, 1], table[:, 1, 0], table[:, 1, 1], design_effect=effect
        )
        stratified.append(pooled.low <= 2 <= pooled.high)
    holds(crude)
    holds(stratified)


def recurrences(draw: Draw, rate: NDArray[np.float64] | float) -> tuple[NDArray[np.float64], ...]:
    """Draw repaired items as spans: start, stop, event, row of the item."""
    events = draw.events(rate)
    item = np.repeat(np.arange(draw.site.size), events)
    age = draw.entry[item] + draw.rng.random(item.size) * draw.time[item]
    order = np.lexsort((np.append(age, draw.exit), np.append(item, np.arange(draw.site.size))))
    row = np.append(item, np.arange(draw.site.size))[order]
    stop = np.append(age, draw.exit)[order]
    event = np.append(np.ones(item.size), np.zeros(draw.site.size))[order]
    first = np.append(True, row[1:] != row[:-1])
    start = np.where(first, draw.entry[row], np.append(0.0, stop[:-1]))
    return start, stop, event, row


def test_mean_cumulative_and_its_difference_hold_the_truth() -> None:
    alone, apart = [], []
    for draw in draws(3):
        start, stop, event, item = recurrences(draw, np.where(draw.kind == 0, 0.8, 0.5))
        first = draw.kind[item] == 0
        curve = mean_cumulative(
            start[first], stop[first], event[first], item[first], cluster=draw.site[item][first]
        )
        figure = curve.at(2.0)
        alone.append(figure.low <= 1.6 <= figure.high)
        difference = mean_cumulative_difference(start, stop, event, draw.site[item], draw.kind[item], age=2.0)
        apart.append(difference.low <= 0.6 <= difference.high)
    holds(alone)
    holds(apart)


def test_survival_with_shared_sites_holds_the_truth() -> None:
    clustered, plain = [], []
    for draw in draws(4):
        life = 4 * (draw.rng.exponential(size=draw.site.size) / draw.frailty) ** (1 / 1.5)
        exit = np.minimum(life, draw.exit)
        zero = np.zeros(exit.size)
        truth = (1 + (1.5 / 4) ** 1.5 / SHAPE_OF_FRAILTY) ** -SHAPE_OF_FRAILTY
        for covered, cluster in ((clustered, draw.site), (plain, None)):
            share = kaplan_meier(zero, exit, life <= draw.exit, cluster=cluster).at(1.5)
            covered.append(share.low <= truth <= share.high)
    holds(clustered)
    assert np.mean(plain) < np.mean(clustered)


def test_regression_holds_the_adjusted_ratio() -> None:
    covered = []
    for draw in draws(5):
        sun = draw.site % 3 == 0
        events = draw.events(0.4 * np.where(draw.kind == 1, 1.8, 1.0) * np.where(sun, 1.5, 1.0))
        design = np.column_stack([np.ones(sun.size), draw.kind, sun])
        fit = rate_regression(events, draw.time, design, draw.site, names=["all", "kind", "sun"])
        covered.append(bool(fit.low[1] <= 1.8 <= fit.high[1]))
    holds(covered)


def test_prediction_with_a_design_effect_holds_what_comes() -> None:
    covered = []
    for draw in draws(6):
        events = draw.events(0.5)
        effect = design_effect(events, draw.time, draw.site)
        number = events.sum() + 0.5
        mean = number * 300 / draw.time.sum()
        prediction = predict_count(mean, effect * mean * (1 + mean / number))
        ahead = draw.rng.gamma(SHAPE_OF_FRAILTY, 1 / SHAPE_OF_FRAILTY, 20)
        covered.append(prediction.low <= draw.rng.poisson(0.5 * 15 * ahead).sum() <= prediction.high)
    holds(covered)


def test_shrunken_rates_hold_the_rates_of_their_groups() -> None:
    rng = np.random.default_rng(7)
    covered = []
    for _ in range(60):
        rates, time = rng.gamma(2.0, 0.5, 20), rng.uniform(2, 12, 20)
        shrunk = shrink_rates(rng.poisson(rates * time), time)
        covered.extend(((shrunk.low <= rates) & (rates <= shrunk.high)).tolist())
    assert 0.90 <= np.mean(covered) <= 0.97


def test_weibull_limits_of_few_failures_hold_the_truth() -> None:
    rng = np.random.default_rng(8)
    shape, life, share = [], [], []
    for _ in range(200):
        entry = rng.choice([0.0, 0.0, 300.0], 60)
        age = 1000 * ((entry / 1000) ** 1.5 + rng.exponential(size=60)) ** (1 / 1.5)
        end = entry + rng.uniform(100, 900, 60)
        fit = fit_weibull(entry, np.minimum(age, end), age <= end)
        shape.append(fit.shape_low <= 1.5 <= fit.shape_high)
        b10, failed = fit.quantile(0.1), fit.failed_by(500)
        life.append(b10.low <= 1000 * (-math.log(0.9)) ** (1 / 1.5) <= b10.high)
        share.append(failed.low <= -math.expm1(-(0.5**1.5)) <= failed.high)
    for covered in (shape, life, share):
        holds(covered)


def test_the_forecast_by_age_holds_what_the_same_sites_go_on_to_do() -> None:
    covered = []
    for draw in list(draws(9))[:60]:
        grown = (draw.exit**1.4 - draw.entry**1.4) * 0.4 * draw.frailty
        events = draw.rng.poisson(grown)
        item = np.repeat(np.arange(draw.site.size), events)
        low, high = draw.entry[item] ** 1.4, draw.exit[item] ** 1.4
        age = (low + draw.rng.random(item.size) * (high - low)) ** (1 / 1.4)
        order = np.lexsort((np.append(age, draw.exit), np.append(item, np.arange(draw.site.size))))
        row = np.append(item, np.arange(draw.site.size))[order]
        stop = np.append(age, draw.exit)[order]
        event = np.append(np.ones(item.size, dtype=int), np.zeros(draw.site.size, dtype=int))[order]
        first = np.append(True, row[1:] != row[:-1])
        start = np.where(first, draw.entry[row], np.append(0.0, stop[:-1]))
        spans = Spans(YEAR * start, YEAR * stop, event, draw.site[row], np.ones(row.size), SITES)
        fitted = fit_intensity(spans, design_effect=design_effect(events, draw.time, draw.site))
        past = Past(events=events.sum(), years=draw.time.sum(), fitted=fitted)
        ages = YEAR * draw.exit
        prediction = forecast_year(past, ages, items=ages.size, counts=np.ones(MONTHS)).year
        ahead = ((draw.exit + 1) ** 1.4 - draw.exit**1.4) * 0.4 * draw.frailty
        covered.append(prediction.low <= draw.rng.poisson(ahead.sum()) <= prediction.high)
    holds(covered)


def test_the_shape_within_sites_holds_the_truth_whatever_the_sites_do() -> None:
    covered = []
    rng = np.random.default_rng(10)
    for _ in range(150):
        # Forty sites with a frailty of their own; those that fail more often are watched for a shorter time.
        frailty = rng.gamma(SHAPE_OF_FRAILTY, 1 / SHAPE_OF_FRAILTY, 40)
        longest = np.where(frailty > 1, 1.0, 2.0)
        rows: list[tuple[float, float, int, int]] = []
        for site in range(40):
            at = np.sort(
                longest[site] * rng.random(rng.poisson(2 * frailty[site] * longest[site] ** 1.5)) ** (1 / 1.5)
            )
            ends = [*at.tolist(), float(longest[site])]
            begins = [0.0, *at.tolist()]
            rows += [
                (begin, end, int(number < at.size), site)
                for number, (begin, end) in enumerate(zip(begins, ends, strict=True))
            ]
        start, stop, event, site_of = (np.array(column) for column in zip(*rows, strict=True))
        fit = fit_conditional(start, stop, event, site_of)
        covered.append(fit.low <= 1.5 <= fit.high)
    holds(covered)
