"""Raising due care: a million due dates of which 31,000 are due, against the bare statement.

`raise_due` plans new parts, takes needless tasks off the list, follows addresses and raises what is due. Its
time is held against one INSERT .. SELECT that writes the same rows and checks nothing. Also measured: putting
a new fleet of 100,000 units under its rules, and a second look at a list that is up to date.

Runs on the database of DATABASE_URL; without one on SQLite in a temporary folder.
"""

from __future__ import annotations

import os
import resource
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
os.environ.setdefault("LOG_LEVEL", "ERROR")
os.environ.setdefault("SECRET_KEY", "bench-only")

import django

django.setup()

from django.db import connection  # noqa: E402 - after setup

from schedules.models import MaintenanceRule, MaintenanceTask, NextDue  # noqa: E402 - after setup
from schedules.operations import plan_next_dues, raise_due  # noqa: E402 - after setup
from units.models import ComponentType  # noqa: E402 - after setup

TODAY = date(2026, 5, 4)
AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
SITES, UNITS, TYPES, RULES_EACH = 40_000, 100_000, 5, 2
DUE = 31_000
ROUNDS = 5
TARGET = 2.0

SITES_IN = """
INSERT INTO units_site (code, address, postcode, access_notes, care_by, coast, pollen)
WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {sites})
SELECT 'S' || i, i || ' Bench Lane', '', '', 'us', '', FALSE FROM n
"""
UNITS_IN = """
INSERT INTO units_unit (code, site_id, place, shade, finish, stack, release_side, installed_on, crew, note)
WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {units})
SELECT 'U' || i, (SELECT min(id) FROM units_site) + (i % {sites}), '', '', '', '', '', {fitted}, '', '' FROM n
"""
PARTS_IN = """
INSERT INTO units_installedpart (unit_id, component_type_id, kind, panel, pieces, lot, fitted_on, age_known,
    recorded_at, changed_at)
SELECT u.id, {made}, '{kind}', 0, 1, '', u.installed_on, true, '2026-05-01 12:00:00', '2026-05-01 12:00:00'
FROM units_unit u
"""
SPREAD = """
UPDATE schedules_nextdue SET last_done_on = {done},
    next_due_on = CASE WHEN id % {every} = 0 AND id / {every} <= {due} THEN {soon} ELSE {later} END
"""
DAY = {
    "sqlite": "date('2014-01-01', '+' || ({days}) || ' days')",
    "postgresql": "(date '2014-01-01' + ({days})::int)",
}
LAST_DONE = {
    "sqlite": (
        "CAST(strftime('%d', d.last_done_on) AS INTEGER) || substr(' Jan Feb Mar Apr May Jun Jul Aug Sep Oct"
        " Nov Dec ', 4 * CAST(strftime('%m', d.last_done_on) AS INTEGER) - 3, 5)"
        " || strftime('%Y', d.last_done_on)"
    ),
    "postgresql": "to_char(d.last_done_on, 'FMDD Mon YYYY')",
}
BARE = """
INSERT INTO schedules_maintenancetask (site_id, unit_id, installed_part_id, next_due_id, origin, work, reason,
    priority, minutes, persons, level, due_on, state, waiting_for, not_done, changed_at)
SELECT u.site_id, u.id, f.id, d.id, 'care', r.work,
    upper(substr(r.name, 1, 1)) || substr(r.name, 2) || ': last done ' || {last_done},
    5, r.minutes, r.persons, r.level, d.next_due_on, 'needs-action', '', '', '2026-05-04 12:00:00'
FROM schedules_nextdue d
JOIN schedules_maintenancerule r ON r.id = d.rule_id
JOIN units_installedpart f ON f.id = d.installed_part_id
JOIN units_unit u ON u.id = f.unit_id
WHERE d.next_due_on <= '{today}'
"""


def run(sql: str) -> None:
    """Run one statement as it stands."""
    with connection.cursor() as cursor:
        cursor.execute(sql)


def fill_register() -> None:
    """Put sites, units and fitted parts in by SQL: the register itself is not what is measured."""
    fitted = DAY[connection.vendor].format(days="(i * 37) % 4000")
    run(SITES_IN.format(sites=SITES))
    run(UNITS_IN.format(units=UNITS, sites=SITES, fitted=fitted))
    for number in range(TYPES):
        kind = ["track", "sash", "corner", "film", "screen"][number]
        made = ComponentType.objects.create(name=f"bench {kind}", kind=kind)
        for rule in range(RULES_EACH):
            MaintenanceRule.objects.create(
                component_type=made,
                name=f"care for the {kind}, way {rule}",
                work="cleaned",
                interval_months=6 * (rule + 1),
                season_from_month=3 if rule else None,
                season_from_day=1 if rule else None,
                season_until_month=5 if rule else None,
                season_until_day=31 if rule else None,
            )
        run(PARTS_IN.format(made=made.pk, kind=kind))


def spread_due_dates() -> None:
    """Let 31,000 of the due dates be due and all others fall on later days, as in a fleet kept up to date."""
    day = DAY[connection.vendor]
    run(
        SPREAD.format(
            done=day.format(days="3900 + (id * 7919) % 300"),
            soon=day.format(days="4400 + (id * 7919) % 100"),
            later=day.format(days="4600 + (id * 7919) % 900"),
            every=NextDue.objects.count() // DUE,
            due=DUE,
        )
    )
    run("ANALYZE")


def seconds(work: Callable[[], object]) -> float:
    """Time one piece of work."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Fill a database, measure, and print."""
    folder = tempfile.TemporaryDirectory(prefix="sashkeep-bench-")
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = str(Path(folder.name) / "bench.sqlite3")
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        fill_register()
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        planning = seconds(lambda: plan_next_dues(at=AT))
        grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        print(
            f"{connection.vendor}: {UNITS:,} units came under their rules in {planning:.1f} s:"
            f" {NextDue.objects.count():,} due dates, {grown:.0f} MB more memory at most"
        )
        spread_due_dates()
        bare = BARE.format(last_done=LAST_DONE[connection.vendor], today=TODAY)
        times: dict[str, list[float]] = {"bare": [], "raise_due": [], "again": []}
        for _ in range(ROUNDS):
            times["bare"].append(seconds(lambda: run(bare)))
            expected = set(MaintenanceTask.objects.values_list("next_due_id", "reason", "due_on"))
            run("DELETE FROM schedules_maintenancetask")
            times["raise_due"].append(seconds(lambda: raise_due(TODAY, at=AT)))
            raised = set(MaintenanceTask.objects.values_list("next_due_id", "reason", "due_on"))
            assert raised == expected, "raise_due and the bare statement differ"
            times["again"].append(seconds(lambda: raise_due(TODAY, at=AT)))
            run("DELETE FROM schedules_maintenancetask")
        middle = {name: statistics.median(samples) for name, samples in times.items()}
        ratio = middle["raise_due"] / middle["bare"]
        print(
            f"{connection.vendor}: {len(raised):,} tasks of {NextDue.objects.count():,} due dates:"
            f" raise_due {middle['raise_due']:.3f} s, bare INSERT .. SELECT {middle['bare']:.3f} s,"
            f" ratio {ratio:.2f} (target at most {TARGET}); a second look {middle['again']:.3f} s"
        )
    finally:
        connection.creation.destroy_test_db(connection.settings_dict["NAME"], verbosity=0)
        folder.cleanup()


if __name__ == "__main__":
    main()
