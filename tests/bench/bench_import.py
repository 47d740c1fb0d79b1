"""How fast a fleet comes in from files, and whether memory stays flat.

Writes an invented fleet of N units with 3 N rows of history into a folder of its own, brings it in through
the real command in a process of its own, and prints rows per second, the time, and the most memory that the
process held. Beside it, another process keeps saving something small, and how long each saving took is told:
that is what people at the desk would feel. Usage:

    python tests/bench/bench_import.py [--units 100000] [--seed 1] [--again] [--undo]

DATABASE_URL names another (empty) database; without it a new SQLite file is used.
"""

from __future__ import annotations

import argparse
import csv
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TODAY = date(2026, 7, 29)
MODES = {
    "1": ("TRK-01", "TRK-02", "FLM-01", "PIN-01", "SCR-01"),
    "2": ("LIN-01", "LIN-03", "KEY-01", "FLM-02", "PIN-03"),
    "3": ("LIN-05", "LIN-06", "KEY-02", "FLM-04", "PIN-03"),
}
UNIT_COLUMNS = (
    *("unit", "site", "customer", "address", "postcode", "latitude", "longitude", "year_built", "place"),
    *("construction", "panels", "width", "height", "facing", "shade", "finish", "installed_on"),
    *("observed_from", "removed_on", "lot"),
)
HISTORY_COLUMNS = (
    *("unit", "on", "what", "mode", "where", "failure", "repeat", "work", "minutes", "note", "ref"),
)


def write_fleet(folder: Path, *, units: int, seed: int) -> tuple[Path, Path]:
    """Write the two files and answer where they are."""
    dice = random.Random(seed)
    paths = folder / "UNITS.csv", folder / "HISTORY.csv"
    with paths[0].open("w", newline="") as units_file, paths[1].open("w", newline="") as history_file:
        units_out, history_out = csv.writer(units_file), csv.writer(history_file)
        units_out.writerow(UNIT_COLUMNS)
        history_out.writerow(HISTORY_COLUMNS)
        for number in range(units):
            row = _unit(dice, number)
            units_out.writerow(row)
            history_out.writerows(_history(dice, row))
    return paths


def _unit(dice: random.Random, number: int) -> list[object]:
    site = number // 3
    installed = date(2012, 1, 2) + timedelta(days=dice.randrange(4500))
    removed = installed + timedelta(days=400) if dice.random() < 0.02 else None
    return [
        *(f"U{number:06d}", f"S{site:06d}", f"Customer Probeson {site}", f"{site} Testing Lane"),
        *(f"{10000 + site % 90000}", f"{35 + site % 900 / 1000:.6f}", f"{-79 - site % 900 / 1000:.6f}"),
        *(1950 + site % 70, f"opening {number % 3 + 1}", str(dice.randrange(1, 4)), dice.choice((3, 4))),
        *(dice.choice(("35 7/8", "41 1/2")), dice.choice(("59 1/4", "72")), dice.choice(("N", "SE", "W"))),
        *(dice.choice(("none", "part")), dice.choice(("white", "dark")), installed),
        *("" if number % 4 else installed + timedelta(days=90), removed or "", f"L{number % 40}"),
    ]


def _history(dice: random.Random, unit: list[object]) -> Iterator[list[object]]:
    """Three rows a unit: a call with its failure, usual care, and a finding that was repaired."""
    first = unit[16]
    assert isinstance(first, date)
    span = 400 if unit[18] else max(1, (TODAY - first).days)
    days = sorted(first + timedelta(days=dice.randrange(span)) for _ in range(3))
    mode = dice.choice(MODES[str(unit[9])])
    yield [unit[0], days[0], "call", mode, "panel 2", "yes", "", "", "", "sticks in the heat", f"c{unit[0]}"]
    yield [unit[0], days[1], "care", "", "", "", "", "", 30, "", ""]
    again = "yes" if dice.random() < 0.2 else ""
    yield [unit[0], days[2], "finding", mode, "panel 1 corner UL", "yes", again, "repaired", 25, "", ""]


class Saver(threading.Thread):
    """Somebody else at the desk: saves something small now and then, and notes how long it took."""

    def __init__(self, env: dict[str, str]) -> None:
        super().__init__(daemon=True)
        self.env, self.waits = env, list[float]()
        self._process: subprocess.Popen[str] | None = None

    SCRIPT = (
        "import sys, time, django; django.setup()\n"
        "from schedules.models import ClockMark\n"
        "from django.utils import timezone\n"
        "from django.db import transaction\n"
        "while True:\n"
        "    began = time.perf_counter()\n"
        "    with transaction.atomic():\n"
        "        ClockMark.objects.update_or_create(task='bench', defaults={'ran_at': timezone.now()})\n"
        "    print(time.perf_counter() - began, flush=True)\n"
        "    time.sleep(0.25)\n"
    )

    def run(self) -> None:
        """Save until stopped."""
        env = self.env | {"DJANGO_SETTINGS_MODULE": "servicedesk.settings"}
        self._process = subprocess.Popen(
            [sys.executable, "-c", self.SCRIPT], cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout is not None
        self.waits += [float(line) for line in self._process.stdout]

    def stop(self) -> list[float]:
        """Stop and answer how long each saving took, the shortest first."""
        if self._process is not None:
            self._process.terminate()
        self.join()
        return sorted(self.waits)


@dataclass(frozen=True)
class Cost:
    """What a command took."""

    seconds: float
    processor: float
    memory: float

    def __str__(self) -> str:
        return f"{self.seconds:.1f} s ({self.processor:.1f} s of processor), {self.memory:.0f} MB at the most"


def run_command(env: dict[str, str], *words: str) -> Cost:
    """Run the command and answer what it took, the memory in MB."""
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, "manage.py", *words], cwd=ROOT, env=env)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit(f"{' '.join(words)} failed")
    return Cost(time.perf_counter() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--units", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--undo", action="store_true", help="also take the import back, and time that")
    parser.add_argument("--again", action="store_true", help="also bring the same files in again")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="sashkeep-bench-") as name:
        folder = Path(name)
        env = {"SECRET_KEY": "bench", "DEBUG": "False", **os.environ, "DATA_DIR": str(folder)}
        units, history = write_fleet(folder, units=asked.units, seed=asked.seed)
        for words in (("migrate", "-v0"), ("load_reference",)):
            run_command(env, *words)
        saver = Saver(env)
        saver.start()
        time.sleep(2)
        saver.waits.clear()
        files = (str(units), "--history", str(history))
        cost = run_command(env, "import_fleet", *files)
        waits = saver.stop()
        rows = 4 * asked.units
        print(f"import of {asked.units:,} units and {3 * asked.units:,} history rows: {cost}")
        print(f"  {rows / cost.seconds:,.0f} rows/s")
        if waits:
            middle, high, top = waits[len(waits) // 2], waits[int(len(waits) * 0.95)], waits[-1]
            print(f"  savings by others meanwhile: {len(waits)}, median {1000 * middle:.0f} ms,")
            print(f"  95 % within {1000 * high:.0f} ms, the longest {1000 * top:.0f} ms")
        if asked.again:
            print(f"the same files again: {run_command(env, 'import_fleet', *files)}")
        if asked.undo:
            print(f"undoing it: {run_command(env, 'import_fleet', '--undo', '1')}")
        for path in folder.glob("sashkeep.sqlite3"):
            print(f"database file: {path.stat().st_size / 1024**2:,.0f} MB")


if __name__ == "__main__":
    main()
