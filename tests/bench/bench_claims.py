"""Run every simulation and write the table of docs/figures.md; end with 1 where one misses its bounds.

In full it takes about an hour on two cores; a number as an argument is the most fleets that any case draws.
"""

from __future__ import annotations

import os
import sys
from functools import partial
from multiprocessing import Pool
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the cores are taken by whole simulations

import django

django.setup()

from tests.simulations.claims import Result, simulations, table  # noqa: E402  # Django first

PAGE = Path(__file__).resolve().parents[2] / "docs" / "figures.md"
BEGIN, END = "<!-- written by tests/bench/bench_claims.py -->", "<!-- end of what is written -->"


def main(most: int) -> int:
    """Run all simulations, as many at once as there are cores, and write their table."""
    made = simulations()
    results = []
    with Pool(os.cpu_count()) as pool:
        for simulation, numbers in zip(
            made, pool.imap(partial(_run, most=most), range(len(made))), strict=True
        ):
            results.append(Result(simulation=simulation, **numbers))
            print(_line(results[-1]), flush=True)
    before, rest = PAGE.read_text().split(BEGIN)
    after = rest.split(END, 1)[1]
    PAGE.write_text(f"{before}{BEGIN}\n\n{table(results)}\n\n{END}{after}")
    missed = sum(not each.within for each in results)
    print(f"{len(results)} simulations, {missed} miss their bounds; written to {PAGE.name}")
    return int(missed > 0)


def _run(number: int, *, most: int) -> dict[str, float]:
    """Run one simulation, and give what it came to without the functions it is made of."""
    simulation = simulations()[number]
    result = simulation.run(min(most, simulation.fleets))
    return {name: getattr(result, name) for name in ("fleets", "said", "observed", "spread")}


def _line(result: Result) -> str:
    made = result.simulation
    missed = "" if result.within else f" MISSES {made.low} to {made.high}"
    return f"{result.observed:.3f} of {result.said:4d}{missed}  {made.sentence}: {made.case}"


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else sys.maxsize))
