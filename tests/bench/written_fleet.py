"""An invented fleet of any size in the files of the import: units, and three rows of history for each."""

from __future__ import annotations

import csv
import random
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

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


def write_fleet(folder: Path, *, units: int, seed: int, first: int = 0) -> tuple[Path, Path]:
    """Write the two files and answer where they are; ``first`` numbers the first unit.

    Three numbers share a site: a ``first`` that three divides begins a fleet that has no site in common with
    the numbers before it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    dice = random.Random(seed)
    paths = folder / "UNITS.csv", folder / "HISTORY.csv"
    with paths[0].open("w", newline="") as units_file, paths[1].open("w", newline="") as history_file:
        units_out, history_out = csv.writer(units_file), csv.writer(history_file)
        units_out.writerow(UNIT_COLUMNS)
        history_out.writerow(HISTORY_COLUMNS)
        for number in range(first, first + units):
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
