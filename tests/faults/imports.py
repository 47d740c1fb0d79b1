"""An import that is killed at random points, held against the same import that nobody disturbed."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from pathlib import Path

from servicedesk.imports.models import BatchFile
from tests.faults.audit import Losses
from tests.faults.stand import Stand
from tests.schedules.installation import ROOT
from tests.servicedesk.imports.fleet_files import everything, some_fleet, write_files

UNITS = 24
FIRST = 6000
MOST_KILLS = 3
DUMP = """
import json
from tests.servicedesk.imports.fleet_files import everything
told = {name: [list(map(str, row)) for row in rows] for name, rows in everything().items()}
print("DUMP" + json.dumps(told))
"""


def files(folder: Path, number: int) -> list[str]:
    """Write the files of the fleet of a round, and give the words that bring it in."""
    here = folder / f"fleet{number}"
    if not here.is_dir():
        here.mkdir()
        units, history = some_fleet(UNITS, first=FIRST + number * UNITS)
        paths = write_files(here, units=units, history=history)
        paths["units"].rename(here / f"FLEET{number}.csv")
    return [str(here / f"FLEET{number}.csv"), "--history", str(here / "HISTORY.csv"), "--care-by", "us"]


def undisturbed(twin: Stand, folder: Path, rounds: int) -> dict[str, list[list[str]]]:
    """Bring the fleets of all rounds into another desk, and give all it then holds."""
    if not rounds:
        return {}
    calls = "".join(f"call_command('import_fleet', *{files(folder, number)!r})\n" for number in range(rounds))
    output = twin.script(f"from django.core.management import call_command\n{calls}{DUMP}")
    tables: dict[str, list[list[str]]] = json.loads(output.split("DUMP", 1)[1].splitlines()[0])
    return tables


def import_and_kill(stand: Stand, words: list[str], dice: random.Random) -> None:
    """Bring files in, killed at random points, until a process gets to the end."""
    if _ran_through(stand, ["import_fleet", *words], dice):
        return
    if not any(_ran_through(stand, ["import_fleet", "--resume"], dice) for _ in range(MOST_KILLS)):
        stand.manage("import_fleet", "--resume")
    if not BatchFile.objects.filter(name=Path(words[0]).name).exists():
        stand.manage("import_fleet", *words)  # killed before it had handed anything in


def _ran_through(stand: Stand, words: list[str], dice: random.Random) -> bool:
    """Run a command, kill it a moment after so many lines of its progress; tell whether it was through.

    Lines and not seconds, so that on a slow machine, too, it is killed at its work and not while it starts.
    """
    lines = dice.randrange(0, 14)
    process = subprocess.Popen(
        [sys.executable, "manage.py", *words],
        cwd=ROOT,
        env=stand.environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    assert process.stderr is not None
    for _ in range(lines):
        if not process.stderr.readline():
            break
    time.sleep(dice.uniform(0, 0.15))
    if process.poll() is None:
        process.kill()
    process.stderr.close()
    return process.wait() == 0


def compare(wanted: dict[str, list[list[str]]], number: int) -> Losses:
    """Compare what the register holds of a round's fleet with what the undisturbed import made of it."""
    losses = Losses()
    names = _names(number)
    for table, rows in everything().items():
        stored = sorted([list(map(str, row)) for row in rows if names & set(map(str, row))])
        right = sorted(row for row in wanted[table] if names & set(row))
        if stored == right:
            continue
        missing = [row for row in right if right.count(row) > stored.count(row)]
        more = [row for row in stored if stored.count(row) > right.count(row)]
        if missing:
            losses.lost.append(f"import {number}: {len(missing)} rows of {table} such as {missing[0]}")
        if more:
            losses.doubled.append(f"import {number}: {len(more)} rows of {table} such as {more[0]}")
    return losses


def _names(number: int) -> set[str]:
    """Give the codes and names that only this fleet has."""
    units, _ = some_fleet(UNITS, first=FIRST + number * UNITS)
    return {str(row[name]) for row in units for name in ("unit", "site", "customer")}
