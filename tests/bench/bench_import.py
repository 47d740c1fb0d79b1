"""How fast a fleet comes in from files on either database, and whether memory stays flat.

Writes an invented fleet of N units with 3 N rows of history into a folder of its own, brings it in through
the real command in a process of its own, and prints rows per second, the time, and the most memory that the
process held. Beside it, another process keeps saving something small, and how long each saving took is told:
that is what people at the desk would feel. Usage:

    PYTHONPATH=. python tests/bench/bench_import.py [--units 100000] [--seed 1] [--again] [--revert]
        [--database sqlite|postgres]

SQLite is a file in the folder, PostgreSQL a cluster of its own there. The bar is 3,000 rows/s on PostgreSQL
(100,000 units with their history in two and a half minutes) and 2,000 on SQLite, on a machine that does
nothing else; what a slower or busier one does is told by the seconds of processor.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from tests.bench.written_fleet import write_fleet
from tests.faults.databases import Cluster, Database, SqliteFile

ROOT = Path(__file__).resolve().parents[2]
BARS = {"sqlite": 2_000, "postgres": 3_000}
"""Rows a second."""


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
    parser.add_argument("--revert", action="store_true", help="also take the import back, and time that")
    parser.add_argument("--again", action="store_true", help="also bring the same files in again")
    parser.add_argument("--database", choices=list(BARS), help="only one of the two")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="sashkeep-bench-") as name:
        folder = Path(name)
        folder.chmod(0o755)  # PostgreSQL runs as a user of its own
        for database in [options.database] if options.database else BARS:
            installation = (
                folder / f"{database}_desk"
            )  # a database is named after it, and "postgres" is taken
            installation.mkdir()
            if database == "sqlite":
                measure(SqliteFile(), installation, options)
                continue
            cluster = Cluster(folder)
            try:
                cluster.create(installation)
                measure(cluster, installation, options)
            finally:
                cluster.close()


def measure(database: Database, folder: Path, options: argparse.Namespace) -> None:
    """Bring the fleet in on one database, and tell what that took."""
    env = {"SECRET_KEY": "bench", "DEBUG": "False", **os.environ, "DATA_DIR": str(folder)}
    env.pop("DATABASE_URL", None)
    env |= database.settings(folder)
    units, history = write_fleet(folder, units=options.units, seed=options.seed)
    for words in (("migrate", "-v0"), ("load_reference",)):
        run_command(env, *words)
    saver = Saver(env)
    saver.start()
    time.sleep(2)
    saver.waits.clear()
    files = (str(units), "--history", str(history))
    cost = run_command(env, "import_fleet", *files)
    waits = saver.stop()
    speed, bar = 4 * options.units / cost.seconds, BARS[database.name]
    print(
        f"{database.name}: import of {options.units:,} units and {3 * options.units:,} history rows: {cost}"
    )
    print(f"  {speed:,.0f} rows/s; the bar is {bar:,}: {'fixed' if speed >= bar else 'MISSED'}")
    if waits:
        middle, high, top = waits[len(waits) // 2], waits[int(len(waits) * 0.95)], waits[-1]
        print(f"  savings by others meanwhile: {len(waits)}, median {1000 * middle:.0f} ms,")
        print(f"  95 % within {1000 * high:.0f} ms, the longest {1000 * top:.0f} ms")
    if options.again:
        print(f"the same files again: {run_command(env, 'import_fleet', *files)}")
    if options.revert:
        print(f"undoing it: {run_command(env, 'import_fleet', '--revert', '1')}")
    for path in folder.glob("sashkeep.sqlite3"):
        print(f"database file: {path.stat().st_size / 1024**2:,.0f} MB")


if __name__ == "__main__":
    main()
