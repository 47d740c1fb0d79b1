"""How long the estimators take on a large fleet, beside other libraries and a plain sort in the same run.

    python tests/bench/bench_lifetimes.py --rows 1000000

Every line gives the time of the estimator and of what it is held against, and how many times quicker it is
(or how many sorts of the ages it costs). Ages are whole days with heavy ties, some parts taken over late.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import lifelines
import numpy as np
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight, survdiff

from servicedesk.reports.numerics.counts.adjust import rate_regression
from servicedesk.reports.numerics.counts.jackknife import jackknife_rate
from servicedesk.reports.numerics.survival.curves import kaplan_meier, log_rank
from servicedesk.reports.numerics.survival.recurrence import compare_mean_cumulative, mean_cumulative
from servicedesk.reports.numerics.survival.weibull import fit_weibull

PARTS_PER_SITE = 8

LINE = "{:<44}{:>9.1f} ms   {:<24}{:>11.1f} ms   {:>8.1f}{}"


@dataclass(frozen=True)
class Fleet:
    """Watched lives of a large fleet, one row a part."""

    entry: NDArray[np.int64]
    exit: NDArray[np.int64]
    failed: NDArray[np.bool_]
    site: NDArray[np.int64]
    kind: NDArray[np.int64]


def make_fleet(rows: int, *, seed: int = 1) -> Fleet:
    """Make parts that live about 2700 days, four in ten of them taken over at some age."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(rows) < 0.6, 0, rng.integers(1, 2000, rows))
    life = 3000 * ((entry / 3000) ** 1.6 + rng.exponential(size=rows)) ** (1 / 1.6)
    leave = entry + rng.integers(1, 3000, rows)
    exit = np.minimum(np.maximum(np.ceil(life).astype(np.int64), entry + 1), leave)
    site = rng.integers(0, max(1, rows // PARTS_PER_SITE), rows)
    return Fleet(entry, exit, life <= leave, site, rng.integers(0, 2, rows))


def seconds(call: Callable[[], object], *, times: int) -> float:
    """Give the shortest of several runs."""
    best = float("inf")
    for _ in range(times):
        begin = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - begin)
    return best


def compare(name: str, ours: Callable[[], object], peers: dict[str, Callable[[], object]]) -> None:
    """Print our time, the time of each other library, and their ratio."""
    own = seconds(ours, times=7)
    for peer, call in peers.items():
        other = seconds(call, times=2)
        print(LINE.format(name, own * 1e3, peer, other * 1e3, other / own, "x quicker"))


def sorts(name: str, ours: Callable[[], object], ages: NDArray[np.int64]) -> None:
    """Print our time as a multiple of one sort of the ages."""
    own, sort = seconds(ours, times=7), seconds(lambda: np.sort(ages), times=7)
    print(LINE.format(name, own * 1e3, "numpy sort of the ages", sort * 1e3, own / sort, " sorts"))


def bench_lifetimes(fleet: Fleet) -> None:
    """Time the estimators of survival beside other libraries."""
    entry, exit, failed = fleet.entry, fleet.exit, fleet.failed
    compare(
        "Kaplan-Meier with late entry",
        lambda: kaplan_meier(entry, exit, failed),
        {
            "lifelines": lambda: lifelines.KaplanMeierFitter().fit(exit, failed, entry=entry),
            "statsmodels": lambda: SurvfuncRight(exit, failed, entry=entry),
        },
    )
    real = [column.astype(np.float64) for column in (entry, exit)]
    compare(
        "the same, whole days as floats",
        lambda: kaplan_meier(*real, failed),
        {"lifelines": lambda: lifelines.KaplanMeierFitter().fit(real[1], failed, entry=real[0])},
    )
    compare(
        "log-rank with late entry",
        lambda: log_rank(entry, exit, failed, fleet.kind),
        {"statsmodels": lambda: survdiff(exit, failed, fleet.kind, entry=entry)},
    )
    compare(
        "Weibull with late entry and LR limits",
        lambda: fit_weibull(entry, exit, failed),
        {
            "lifelines": lambda: lifelines.WeibullFitter().fit(exit, failed, entry=entry),
            "scipy, without entry": lambda: stats.weibull_min.fit(
                stats.CensoredData.right_censored(exit, ~failed), floc=0
            ),
        },
    )
    sorts("Kaplan-Meier, site-robust", lambda: kaplan_meier(entry, exit, failed, cluster=fleet.site), exit)


def bench_recurrences(fleet: Fleet) -> None:
    """Time mean cumulative functions as a multiple of one sort."""
    entry, exit, failed = fleet.entry, fleet.exit, fleet.failed
    item = np.arange(exit.size)
    sorts(
        "mean cumulative function, site-robust",
        lambda: mean_cumulative(entry, exit, failed, item, cluster=fleet.site),
        exit,
    )
    sorts("the same, every item a site of its own", lambda: mean_cumulative(entry, exit, failed, item), exit)
    sorts(
        "two-sample test", lambda: compare_mean_cumulative(entry, exit, failed, fleet.site, fleet.kind), exit
    )


def bench_rates(fleet: Fleet) -> None:
    """Time rates and their Poisson regression beside statsmodels, on a tenth of the rows."""
    rows = max(1, fleet.exit.size // 10)
    years = (fleet.exit - fleet.entry)[:rows] / 365.25
    events, site = fleet.failed[:rows].astype(np.int64), fleet.site[:rows]
    design = np.column_stack([np.ones(rows), fleet.kind[:rows], fleet.entry[:rows] > 0]).astype(np.float64)

    def peer() -> object:
        model = sm.GLM(events, design, family=sm.families.Poisson(), exposure=years)
        return model.fit(cov_type="cluster", cov_kwds={"groups": site})

    compare(
        "rate regression, a tenth of the rows",
        lambda: rate_regression(events, years, design, site, names=["all", "kind", "late"]),
        {"statsmodels": peer},
    )
    sorts(
        "site-robust rate, a tenth of the rows",
        lambda: jackknife_rate(events, years, site),
        fleet.exit[:rows],
    )


def main() -> None:
    """Time everything once and print it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rows", type=int, default=1_000_000, help="parts in the fleet (default: a million)")
    rows = parser.parse_args().rows
    if rows < 100:
        parser.error("a fleet needs at least 100 rows")
    fleet = make_fleet(rows)
    print(f"{rows} parts, {int(fleet.failed.sum())} failures, {np.unique(fleet.site).size} sites")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what the peers warn of is theirs
        bench_lifetimes(fleet)
        bench_recurrences(fleet)
        bench_rates(fleet)


if __name__ == "__main__":
    main()
