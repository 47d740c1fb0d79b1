"""Three hundred fleets of known truth for each way in which records mislead, by import and command.

Prints how often the printed 95 % range held the truth, and writes it into docs/figures.md; ends with 1 where
it did so too rarely for 93 times in a hundred. Runs on SQLite in a temporary folder for each process.
"""

from __future__ import annotations

import os
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
os.environ.setdefault("LOG_LEVEL", "ERROR")
os.environ.setdefault("SECRET_KEY", "bench-only")

import django

django.setup()

from django.conf import settings  # noqa: E402 - after setup
from django.db import connection, transaction  # noqa: E402 - after setup
from scipy.stats import binom  # noqa: E402 - after setup

from tests.servicedesk.reports.known_truth import CASES, printed_range  # noqa: E402 - after setup

FLEETS = 300
FEWEST = int(binom.ppf(0.001, FLEETS, 0.93))
"""Of ranges that hold the truth 93 times in a hundred, fewer than this do once in a thousand tries."""

PAGE = Path(__file__).resolve().parents[2] / "docs" / "figures.md"
BEGIN, END = "<!-- written by tests/bench/bench_known_truth.py -->", "<!-- end of known truth -->"

Outcome = tuple[float, float, int]
"""The range that was printed, and the number that was said of it."""


def main() -> int:
    """Draw all fleets, several at a time, and write the table."""
    jobs = [(case, seed) for case in range(len(CASES)) for seed in range(FLEETS)]
    with ProcessPoolExecutor(os.cpu_count(), initializer=_set_up) as pool:
        outcomes = list(pool.map(_print_one, jobs, chunksize=10))
    lines = [
        "| records | truth | held | middle of the ranges | said of it, on average |",
        "|---|---|---|---|---|",
    ]
    worst = FLEETS
    for number, case in enumerate(CASES):
        mine = outcomes[number * FLEETS : (number + 1) * FLEETS]
        covered = sum(low <= case.truth <= high for low, high, _ in mine)
        low, high, said = (sum(column) / FLEETS for column in zip(*mine, strict=True))
        worst = min(worst, covered)
        average = f"`{case.said}` {said:.0f}"
        lines.append(
            f"| {case.name} | {case.truth:g} | {covered} of {FLEETS} | {low:.1f} to {high:.1f} | {average} |"
        )
    table = "\n".join(lines)
    print(table)
    before, rest = PAGE.read_text().split(BEGIN)
    PAGE.write_text(f"{before}{BEGIN}\n\n{table}\n\n{END}{rest.split(END)[1]}")
    return int(worst < FEWEST)


def _set_up() -> None:
    """Give a process an empty database of its own, and no cache: fleets rolled back have like versions."""
    settings.CACHES["figures"] = {"BACKEND": "django.core.cache.backends.dummy.DummyCache"}
    folder = tempfile.mkdtemp(prefix="sashkeep-truth-")
    connection.settings_dict["TEST"]["NAME"] = str(Path(folder) / "truth.sqlite3")
    connection.creation.create_test_db(verbosity=0, autoclobber=True)


def _print_one(job: tuple[int, int]) -> Outcome:
    case = CASES[job[0]]
    with transaction.atomic(), tempfile.TemporaryDirectory() as folder:
        low, high, left_out, _ = printed_range(case, 1_000 + job[1], Path(folder))
        transaction.set_rollback(True)
    return low, high, left_out[case.said]


if __name__ == "__main__":
    sys.exit(main())
