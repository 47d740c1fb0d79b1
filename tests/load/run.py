"""A scripted day on a real desk, and how long each kind of page takes.

Sets up a desk on PostgreSQL with 100,000 units and one on SQLite with 10,000, each brought in by the import,
with care that is ours, 50 technicians with rounds, 5 schedulers and 2 owners; serves it with two web
workers of four threads, and the clock (with PostgreSQL: Redis, a celery worker and beat); and lets
everybody do their day for some minutes while more units are brought in by a process of its own: 300,000,
so that the import outlasts the records that phones send.

The day passes four times as fast as a real one (--pace): a stop an hour for each technician is one in a
quarter of an hour here, a scheduler's page every half minute one in 7.5 seconds. The rate that came of it is
printed. `--pace 12 --minutes 6 --import-after 45 --import-units 100000` is a stress as of 600 technicians.

Ends with 1 where any request failed, anything failed behind the pages, or on SQLite the inbox was slower
than 200 ms at the 95th percentile. The SQLite desk takes 20 minutes on two processors, the PostgreSQL desk 35
with its setting-up; --keep FOLDER keeps what was set up for the next run (the PostgreSQL desk as another
database of the server).

    make load ARGS="--only sqlite --keep var/load"
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from PIL import Image

from tests.bench.written_fleet import write_fleet
from tests.load import measured
from tests.load.servers import (
    ROOT,
    Failed,
    clean_environment,
    drop_database,
    faults_in,
    has_database,
    installation,
    make_database,
    measure_tables,
    rename_database,
    run,
)
from tests.schedules.installation import free_port

UNITS = {"postgresql": 100_000, "sqlite": 10_000}
NUMBERS = {"technicians": 50, "schedulers": 5, "owners": 2}
CALENDARS = 1
MOST_MS = 200.0
WORKERS, THREADS = 2, 4
RUN_UP = 150
"""Seconds in which the people come in, one after the other."""
FIRST_OF_IMPORT = 300_000
KEPT_NAME = "sashkeep_load_kept"


@dataclass
class Run:
    """One desk and one day on it."""

    vendor: str
    options: argparse.Namespace
    folder: Path
    env: dict[str, str] = field(default_factory=dict)
    meanwhile: tuple[float, float] = (0.0, 0.0)
    faults: list[str] = field(default_factory=list)

    @property
    def numbers(self) -> dict[str, int]:
        """How many people of each role there are."""
        return NUMBERS | {"technicians": self.options.technicians}

    @property
    def log(self) -> Path:
        """Where the programs of the set-up write."""
        return self.folder / "setting-up.txt"

    @property
    def units(self) -> int:
        """How many units the desk begins with."""
        return int(self.options.units or UNITS[self.vendor])

    @property
    def database(self) -> str:
        """The name of our own PostgreSQL database."""
        return f"sashkeep_load_{os.getpid()}"

    def set_up(self) -> dict[str, object]:
        """Set the desk up, or take the one that was kept, and plan these days."""
        port = free_port()
        self.env = clean_environment(DATA_DIR=str(self.folder / "data"), SITE_URL=f"http://127.0.0.1:{port}")
        (self.folder / "data").mkdir(parents=True)
        if self.vendor == "postgresql":
            self.env["DATABASE_URL"] = f"{self.options.server}/{self.database}"
        if not self._take_kept():
            self._fill()
            self._keep()
        self.manage("migrate", "-v0")
        self.manage("collectstatic", "--noinput", "-v0")
        numbers = [word for name, number in self.numbers.items() for word in (f"--{name}", str(number))]
        company = json.loads(run(self.env, self.log, "tests/load/company.py", *numbers).splitlines()[-1])
        (self.folder / "company.json").write_text(json.dumps(company))
        if self.vendor == "postgresql":
            self.env["REDIS_URL"] = f"redis://127.0.0.1:{free_port()}/0"
        return dict(company)

    def manage(self, *words: str) -> str:
        """Run a command of the desk."""
        return run(self.env, self.log, "manage.py", *words)

    def _fill(self) -> None:
        """Bring in the reference data and the fleet, put due care on the list, and count the figures."""
        if self.vendor == "postgresql":
            make_database(self.options.server, self.database)
        self.manage("migrate", "-v0")
        self.manage("load_reference")
        units, history = write_fleet(self.folder / "fleet", units=self.units, seed=1)
        self.manage("import_fleet", str(units), "--history", str(history), "--care-by", "us")
        self.manage("clock", "--once")
        if self.vendor == "postgresql":
            measure_tables(f"{self.options.server}/{self.database}")

    def _take_kept(self) -> bool:
        """Copy the desk that a run before kept, where there is one of this size."""
        if self.vendor == "postgresql":
            name = f"{KEPT_NAME}_{self.units}"
            if not self.options.keep or not has_database(self.options.server, name):
                return False
            make_database(self.options.server, self.database, like=name)
            return True
        saved = self.options.keep and self.options.keep / f"sqlite-{self.units}.sqlite3"
        if not saved or not saved.exists():
            return False
        shutil.copyfile(saved, self.folder / "data" / "sashkeep.sqlite3")
        return True

    def _keep(self) -> None:
        """Keep the desk for the next run."""
        if not self.options.keep:
            return
        if self.vendor == "postgresql":
            name = f"{KEPT_NAME}_{self.units}"
            drop_database(self.options.server, name)
            rename_database(self.options.server, self.database, name)
            make_database(self.options.server, self.database, like=name)
            return
        self.options.keep.mkdir(parents=True, exist_ok=True)
        target = self.options.keep / f"sqlite-{self.units}.sqlite3"
        run(
            self.env, self.log, "-c", COPY_SQLITE, str(self.folder / "data" / "sashkeep.sqlite3"), str(target)
        )

    def day(self) -> list[measured.Request]:
        """Serve the desk and let everybody do their day, with the import meanwhile."""
        results, photo = self.folder / "requests.csv", self.folder / "photo.jpg"
        draw_photo(photo)
        files = write_fleet(
            self.folder / "more", units=self.options.import_units, seed=2, first=FIRST_OF_IMPORT
        )
        port = int(self.env["SITE_URL"].rsplit(":", 1)[1])
        with (
            installation(self.env, self.folder, port=port, workers=WORKERS, threads=THREADS),
            ExitStack() as stack,
        ):
            users = self._start(port, results, photo)
            stack.callback(stop, users)
            time.sleep(self.options.import_after)
            began = time.time()
            out = stack.enter_context((self.folder / "import.txt").open("w"))
            words = ["import_fleet", str(files[0]), "--history", str(files[1]), "--care-by", "us"]
            importing = subprocess.Popen(
                [sys.executable, "manage.py", *words], cwd=ROOT, env=self.env, stdout=out, stderr=out
            )
            stack.callback(stop, importing)
            ended = users.wait()
            over = importing.poll()
            self.faults = faults_in(
                self.folder
            )  # before the programs are told to end, which they call an error
            self.meanwhile = (began, time.time() if over is None else self._end_of_import(began))
            if ended not in (0, 1):  # 1: some requests failed, which the table tells
                raise Failed(f"locust ended with {ended}; {self.folder / 'locust.txt'} says why.")
            if over not in (None, 0):
                raise Failed(f"the import meanwhile failed; {self.folder / 'import.txt'} says why.")
            done = "was over" if over == 0 else "was still running when the day ended"
            last = (self.folder / "import.txt").read_text().strip().splitlines()[-1:]
            print(f"the import of {self.options.import_units:,} units {done} ({' '.join(last).strip()})")
        return measured.read(results)

    def _end_of_import(self, began: float) -> float:
        """Say when the import wrote its last line: it tells of each tenth of its way."""
        return max(began, (self.folder / "import.txt").stat().st_mtime)

    def _start(self, port: int, results: Path, photo: Path) -> subprocess.Popen[bytes]:
        """Start the people."""
        people = sum(self.numbers.values()) + CALENDARS
        words = [
            *(str(ROOT / ".venv" / "load" / "bin" / "locust"), "--headless", "--only-summary"),
            *("--locustfile", str(ROOT / "tests" / "load" / "locustfile.py")),
            *("--host", f"http://127.0.0.1:{port}", "--users", str(people)),
            *("--spawn-rate", f"{people / RUN_UP:.3f}", "--run-time", f"{60 * self.options.minutes:.0f}s"),
            *("--stop-timeout", "20"),
        ]
        env = {name: value for name, value in self.env.items() if name != "PYTHONPATH"} | {
            "LOAD_COMPANY": str(self.folder / "company.json"),
            "LOAD_PACE": str(self.options.pace),
            "LOAD_PHOTO": str(photo),
            "LOAD_RESULTS": str(results),
        }
        with (self.folder / "locust.txt").open("wb") as out:
            return subprocess.Popen(words, cwd=self.folder, env=env, stdout=out, stderr=subprocess.STDOUT)

    def judge(self, requests: list[measured.Request]) -> list[str]:
        """Print what was measured and list what does not hold."""
        minutes = (max(each.at for each in requests) - min(each.at for each in requests)) / 60
        print(measured.table(requests, meanwhile=self.meanwhile))
        print(f"{len(requests):,} requests in {minutes:.1f} min, {len(requests) / minutes / 60:.1f} a second")
        wrong = measured.errors_of(requests) + self.faults[:20]
        inbox = measured.inbox_within(requests, self.meanwhile)
        print(f"phones waited {inbox:,.0f} ms for the inbox at the 95th percentile")
        if not inbox:
            wrong.append("no record was sent")
        if self.vendor == "sqlite" and inbox > MOST_MS:
            wrong.append(f"the inbox took {inbox:,.0f} ms at the 95th percentile, not {MOST_MS:.0f} at most")
        return [f"{self.vendor}: {each}" for each in wrong]


COPY_SQLITE = (
    "import sqlite3, sys\n"
    "with sqlite3.connect(sys.argv[1]) as held, sqlite3.connect(sys.argv[2]) as kept:\n"
    "    held.backup(kept)\n"
)


def draw_photo(path: Path) -> None:
    """Draw a photo as large as a phone sends: grain makes it as hard to pack as a real one."""
    dice = np.random.default_rng(1)
    grain = dice.normal(128, 12, (1536, 2048, 3)).clip(0, 255).astype(np.uint8)
    Image.fromarray(grain).save(path, "JPEG", quality=85)


def stop(process: subprocess.Popen[bytes]) -> None:
    """End a process of ours."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(timeout=60)
        except subprocess.TimeoutExpired:
            process.kill()


def one_day(vendor: str, options: argparse.Namespace) -> list[str]:
    """Set one desk up, let its day pass, and list what does not hold."""
    with tempfile.TemporaryDirectory(prefix="sashkeep-load-") as name:
        it = Run(vendor, options, Path(name))
        began = time.monotonic()
        try:
            company = it.set_up()
            print(
                f"\n{vendor}: {it.units:,} units, {company['visits']:,} visits planned,"
                f" set up in {time.monotonic() - began:,.0f} s; {WORKERS} web workers of {THREADS} threads"
            )
            return it.judge(it.day())
        finally:
            if options.logs:
                shutil.copytree(it.folder, options.logs / vendor, ignore=LEFT_OUT, dirs_exist_ok=True)
            if vendor == "postgresql":
                drop_database(options.server, it.database)


LEFT_OUT = shutil.ignore_patterns("data", "fleet", "more", "photo.jpg")


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--only", choices=list(UNITS), help="one of the two desks")
    parser.add_argument("--minutes", type=float, default=18, help="how long the people are at it (18)")
    parser.add_argument("--pace", type=float, default=4, help="how many times as fast as a real day (4)")
    parser.add_argument("--units", type=int, help="another number of units to begin with")
    parser.add_argument("--import-units", type=int, default=300_000, help="units brought in meanwhile")
    parser.add_argument(
        "--import-after", type=float, default=240, help="seconds after which that begins (240)"
    )
    parser.add_argument("--technicians", type=int, default=NUMBERS["technicians"], help="how many go out")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep what was set up for the next run")
    parser.add_argument("--logs", type=Path, metavar="FOLDER", help="where logs and requests are left")
    user, host = os.environ.get("PGUSER", "postgres"), os.environ.get("PGHOST", "127.0.0.1")
    parser.add_argument("--server", default=f"postgres://{user}@{host}", help="PostgreSQL (%(default)s)")
    options = parser.parse_args()
    wrong: list[str] = []
    for vendor in [options.only] if options.only else UNITS:
        try:
            wrong += one_day(vendor, options)
        except Failed as error:
            wrong.append(f"{vendor}: {error}")
    for each in wrong:
        print(each)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
