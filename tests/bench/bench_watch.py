"""How many of the flags on lots and types are false, over 200 made-up fleets with known hazards.

A flag on a lot is false unless it is the planted one, and a flag on a type is false unless its true hazard is
higher than that of the others of its kind at like ages. The share of false flags is held against the
false-discovery rate that the page of lots states, and so is the share of fleets whose planted lot is found.
`--seeds N` looks at another number of fleets.
"""

from __future__ import annotations

import argparse
import os
import statistics
from collections import defaultdict
from collections.abc import Iterator
from datetime import date
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
os.environ.setdefault("SECRET_KEY", "bench-only")
os.environ.setdefault("DEBUG", "True")

import django

django.setup()

import numpy as np  # noqa: E402 - after setup

from servicedesk.demo.dice import Dice  # noqa: E402 - after setup
from servicedesk.demo.fleet import DAYS_PER_YEAR, Fleet  # noqa: E402 - after setup
from servicedesk.demo.hazards import risks, simulate_failures  # noqa: E402 - after setup
from servicedesk.demo.scenario import build_fleet  # noqa: E402 - after setup
from servicedesk.demo.sources import read_scenario  # noqa: E402 - after setup
from servicedesk.reports.histories import Histories  # noqa: E402 - after setup
from servicedesk.reports.numerics.surveillance.flags import FALSE_ALARMS  # noqa: E402 - after setup
from servicedesk.reports.surveillance.lots import look_at  # noqa: E402 - after setup
from units.models import ComponentType  # noqa: E402 - after setup

TODAY = date(2026, 11, 25)
SEEDS = 200


def as_histories(fleet: Fleet, seed: int) -> Iterator[tuple[ComponentType, Histories]]:
    """Let a fleet fail, and give the histories of each type grouped by lot, as the records would."""
    dice = Dice.streams(seed, count=1)[0]
    failed: dict[int, list[int]] = defaultdict(list)
    for failure in simulate_failures(fleet, dice.generator):
        failed[id(failure.item)].append((failure.on - failure.item.fitted_on).days)
    by_type: dict[str, list[int]] = defaultdict(list)
    for place, item in enumerate(fleet.items):
        by_type[item.component_type].append(place)
    sites = {site.code: number for number, site in enumerate(fleet.sites)}
    for key, (name, places) in enumerate(sorted(by_type.items())):
        items = [fleet.items[place] for place in places]
        groups: list[str | None] = [*sorted({item.lot for item in items if item.lot}), None]
        spans, events = [], []
        for number, item in zip(places, items, strict=True):
            for first, last in item.watched(TODAY):
                ages = (first - item.fitted_on).days, (last - item.fitted_on).days
                lot = groups.index(item.lot or None)
                spans.append((number, lot, sites[item.unit.site.code], item.fitted_on.toordinal(), *ages))
            events += [(number, age) for age in sorted(failed[id(item)])]
        columns = np.array(spans, dtype=np.int64).reshape(-1, 6).T
        hits, times = np.unique(np.array(events, dtype=np.int64).reshape(-1, 2), axis=0, return_counts=True)
        kind = items[0].kind
        yield (
            ComponentType(pk=key, name=name, kind=kind),
            Histories(
                groups,
                *columns,
                event_item=hits[:, 0],
                event_age=hits[:, 1],
                event_mode=np.zeros(len(hits), dtype=np.int64),
                event_count=times.astype(np.int64),
                event_good=np.full(len(hits), -1),
            ),
        )


def true_rates(fleet: Fleet) -> dict[str, tuple[str, float]]:
    """Give the kind and the true failures a year of each type, over all its watched time."""
    expected: dict[str, float] = defaultdict(float)
    for risk in risks(fleet):
        expected[risk.hazard.component_type] += float(risk.expected.sum())
    years: dict[str, float] = defaultdict(float)
    kinds: dict[str, str] = {}
    for item in fleet.items:
        kinds[item.component_type] = item.kind
        years[item.component_type] += sum((b - a).days for a, b in item.watched(TODAY)) / DAYS_PER_YEAR
    return {name: (kinds[name], expected[name] / years[name]) for name in kinds if years[name]}


def main() -> None:
    """Estimate the false discovery rate of the flags on lots and types over simulated fleets."""
    parser = argparse.ArgumentParser(description="Count the false flags on lots and types.")
    parser.add_argument("--seeds", type=int, default=SEEDS, help=f"how many fleets ({SEEDS})")
    seeds: int = parser.parse_args().seeds
    scenario = read_scenario(Path(__file__).resolve().parents[2] / "fixtures")
    shares, lots, detected = [], [], 0
    for seed in range(seeds):
        fleet = build_fleet(scenario, today=TODAY, seed=seed)
        rates = true_rates(fleet)
        look = look_at(as_histories(fleet, seed), today=TODAY, follow=False)
        flags = [each for each in look.charts if each.flagged]
        bad = (scenario.bad_lot.component_type, scenario.bad_lot.lot)
        false_lots = [each for each in flags if each.lot and (each.name, each.lot) != bad]
        false_types = []
        for each in flags:
            if not each.lot:
                kind, rate = rates[each.name]
                if rate <= min(other for of_kind, other in rates.values() if of_kind == kind):
                    false_types.append(each)
        detected += any((each.name, each.lot) == bad for each in flags)
        shares.append((len(false_lots) + len(false_types)) / max(1, len(flags)))
        lots.append(len(false_lots))
    error = statistics.stdev(shares) / len(shares) ** 0.5 if len(shares) > 1 else float("nan")
    print(
        f"share of false flags {statistics.mean(shares):.3f} (standard error {error:.3f}) over {seeds} "
        f"fleets, stated rate {FALSE_ALARMS:.2f}; false flags on lots {statistics.mean(lots):.2f} a fleet; "
        f"planted lot found in {100 * detected / seeds:.0f} % of fleets"
    )
    if statistics.mean(shares) - 2 * error > FALSE_ALARMS:
        raise SystemExit("More flags are false than the page states.")


if __name__ == "__main__":
    main()
