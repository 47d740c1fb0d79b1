"""Trust under faults: real operations on a real desk whose processes, database and disk fail at random.

People sign in over HTTP and work: they log calls, record findings and work on forms and phones, plan, move,
confirm and finish visits, change customers and sites, replace parts, send photos, hand in files. Outside the
database a ledger keeps what was sent and what the desk answered. After each round the ledger is held against
the records: what was acknowledged is there, whole and once; what was refused is not; what was not answered is
there whole or not at all, and when it is sent again there is one of it. Every rule that the models declare is
asked of every row. Usage:

    python tests/faults/run.py [--rounds 200] [--seed 1] [--database sqlite|postgres] [--only KIND]

It makes its own folder, its own PostgreSQL cluster, its own Redis, and a small file system where this machine
lets it. It ends with 1 where anything was lost, doubled or left half done.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from tests.faults.databases import Cluster, Database, Missing, SqliteFile
from tests.faults.stand import Stand
from tests.schedules.installation import free_port

SMALL = {"sqlite": "160m", "postgres": "300m"}


@contextmanager
def workplace(database: str) -> Iterator[tuple[Path, Path | None]]:
    """Give a folder, and a small file system in it where this machine lets us mount one."""
    folder = Path(tempfile.mkdtemp(prefix="sashkeep-faults-"))
    folder.chmod(0o755)  # PostgreSQL runs as somebody else
    small: Path | None = folder / "small"
    assert small is not None
    small.mkdir()
    options = f"size={SMALL[database]},mode=1777"
    mounted = _as_root("mount", "-t", "tmpfs", "-o", options, "tmpfs", str(small))
    try:
        yield folder, small if mounted else None
    finally:
        if mounted:
            _as_root("umount", "-l", str(small))
        with suppress(PermissionError):
            shutil.rmtree(folder)


def _as_root(*command: str) -> bool:
    """Run a program that takes root, with sudo where it asks for no password; tell whether it went."""
    before = () if os.geteuid() == 0 else ("sudo", "-n")
    try:
        return subprocess.run([*before, *command], capture_output=True, timeout=60).returncode == 0
    except FileNotFoundError:
        return False


def prepare(database: str, folder: Path, small: Path | None) -> tuple[Database, Stand, Stand]:
    """Make the database, the desk with its company, and a twin of it."""
    where = small or folder
    logs = folder / "logs"
    logs.mkdir()
    installations = where / "desk", folder / "twin"
    made: Database = SqliteFile()
    if database == "postgres":
        made = Cluster(folder, tables=small / "tables" if small else None)
    stand, twin = (
        Stand(
            installation,
            made.settings(installation) | {"DJANGO_SETTINGS_MODULE": "tests.faults.quick"},
            logs=logs,
            patience=900,
        )
        for installation in installations
    )
    stand.folder.mkdir()
    if isinstance(made, Cluster):
        made.create(stand.folder)
    stand.make_tables()
    stand.manage("collectstatic", "--noinput", "-v", "0")
    stand.script("from tests.faults.world import build\nbuild()")
    made.copy(stand.folder, twin.folder)
    return made, stand, twin


def main() -> int:
    """Run the rounds and print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--database", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--only", action="append", default=[], metavar="KIND")
    parser.add_argument("--each", type=int, help="so many rounds of each kind, instead of --rounds")
    parser.add_argument("--minutes", type=float, help="stop after so many, with the rounds that are done")
    parser.add_argument("--json", type=Path, help="also write what came of them into this file")
    options = parser.parse_args()
    began = time.monotonic()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("stopped"))  # and stop what was started
    print(f"faults on {options.database}, seed {options.seed}", flush=True)
    with workplace(options.database) as (folder, small):
        try:
            database, stand, twin = prepare(options.database, folder, small)
        except Missing as missing:
            print(f"left out: {missing}")
            return 0
        stand.settings["REDIS_URL"] = ""
        os.environ.pop("DATABASE_URL", None)
        os.environ.update(stand.environment)
        import django

        django.setup()
        from tests.faults.rounds import run_rounds

        try:
            results = run_rounds(
                (database, stand, twin),
                small=small,
                dice=random.Random(options.seed),
                rounds=options.rounds,
                each=options.each,
                only=options.only,
                minutes=options.minutes,
                redis_port=free_port() if shutil.which("redis-server") else None,
            )
        finally:
            stand.close()
            database.close()
    return report(results, seconds=time.monotonic() - began, to=options.json)


COLUMNS = (
    *("fault", "rounds", "operations", "deliveries", "acknowledged", "refused", "disk full", "repeated"),
    *("lost", "doubled", "half", "broken"),
)


def report(results: dict[str, dict[str, Any]], *, seconds: float, to: Path | None) -> int:
    """Print the table and what went wrong; answer how the program ends."""
    rows = [
        [name, *(row[column] for column in COLUMNS[1:])] for name, row in results.items() if row["rounds"]
    ]
    rows.append(["all", *(sum(row[place] for row in rows) for place in range(1, len(COLUMNS)))])
    widths = [max(len(str(row[place])) for row in [*rows, COLUMNS]) for place in range(len(COLUMNS))]
    for row in [COLUMNS, *rows]:
        cells = (str(cell).rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True))
        print(str(row[0]).ljust(widths[0]), *cells)
    for name, row in results.items():
        if row["left out"]:
            print(f"left out: {name}: {row['left out']}")
        for line in row["told"][:20]:
            print(f"{name}: {line}")
    print(f"{seconds:.0f} seconds")
    if to is not None:
        to.write_text(json.dumps(results))
    return int(any(rows[-1][-4:]))


if __name__ == "__main__":
    sys.exit(main())
