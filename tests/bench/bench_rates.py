"""The rates page over 1,000,000 items and 1,000,000 findings, against the bare SQL of two aggregates.

The page is asked for through the server's own stack by an owner who is signed in: after a change at one site,
and with nothing changed. It is held against two statements, failures by type and mode and watched days by
type, which check, exclude and explain nothing and know no sites.
`--units N` asks for another size; a unit has fifteen items and as many findings.

Runs on the database of DATABASE_URL; without one on SQLite in a temporary folder.
"""

from __future__ import annotations

import argparse
import itertools
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
os.environ.setdefault("LOG_LEVEL", "ERROR")
os.environ.setdefault("SECRET_KEY", "bench-only")
os.environ.setdefault("ALLOWED_HOSTS", "testserver")

import django

django.setup()

from django.conf import settings  # noqa: E402 - after setup
from django.contrib.auth.models import Group  # noqa: E402 - after setup
from django.core.management import call_command  # noqa: E402 - after setup
from django.db import connection  # noqa: E402 - after setup
from django.test import Client  # noqa: E402 - after setup

from servicedesk.accounts.models import Role, User  # noqa: E402 - after setup
from servicedesk.calls.models import Finding  # noqa: E402 - after setup
from units.models import ComponentType, FailureMode, Kind  # noqa: E402 - after setup

ROUNDS = 5
KEYS = itertools.count(1000, 7919)
FINDINGS_EACH = 15
KINDS = [kind for kind in Kind if kind != Kind.UNIT]
DAYS = 4_000  # over which the fleet was fitted

DAY = {
    "sqlite": "date('2014-01-01', '+' || ({days}) || ' days')",
    "postgresql": "(date '2014-01-01' + ({days})::int)",
}
AGE = {
    "sqlite": "CAST(julianday({until}) - julianday({since}) AS INTEGER)",
    "postgresql": "(({until})::date - ({since})::date)",
}
COUNT = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {many})"
SITES_IN = """
INSERT INTO units_site (code, address, postcode, access_notes, care_by, coast, pollen)
{count} SELECT 'S' || i, i || ' Bench Lane', '', '', 'us', '', FALSE FROM n
"""
UNITS_IN = """
INSERT INTO units_unit (code, site_id, place, shade, finish, stack, release_side, installed_on, crew, note)
{count} SELECT 'U' || i, (SELECT min(id) FROM units_site) + (i % {sites}), '', '', '', '', '', {fitted},
    '', '' FROM n
"""
PERIODS_IN = """
INSERT INTO units_observationperiod (unit_id, from_on, began, ended, changed_at)
SELECT id, installed_on, 'fitted', '', '2026-05-01 12:00:00' FROM units_unit
"""
PARTS_IN = """
INSERT INTO units_installedpart (unit_id, component_type_id, kind, panel, pieces, lot, fitted_on, age_known,
    recorded_at, changed_at)
SELECT id, CASE WHEN id % 3 = 0 THEN {first} ELSE {second} END, '{kind}', 0, 1, '', installed_on, true,
    '2026-05-01 12:00:00', '2026-05-01 12:00:00'
FROM units_unit
"""
FINDINGS_IN = """
INSERT INTO calls_finding (unit_id, installed_part_id, mode_id, found_on, corner, place, mechanism, cause,
severity,
    made_safe_how, is_failure, detected, repeat, note, recorded_at, changed_at, ref)
{count} SELECT f.unit_id, f.id, (SELECT min(m.id) FROM units_failuremode m WHERE m.kind = f.kind) + n.i % 3,
    {found}, '', '', '', '', 'hinders', '', n.i % 7 <> 0, 'called', n.i % 11 = 0, '',
    '2026-05-01 12:00:00', '2026-05-01 12:00:00', ''
FROM n JOIN units_installedpart f
    ON f.id = (SELECT min(id) FROM units_installedpart) + CAST(n.i AS BIGINT) * 7919 % {parts}
"""
BARE = (
    """
SELECT f.component_type_id, COUNT(*), SUM({age})
FROM units_installedpart f JOIN units_observationperiod p ON p.unit_id = f.unit_id GROUP BY 1
""",
    """
SELECT f.component_type_id, g.mode_id, COUNT(*)
FROM calls_finding g JOIN units_installedpart f ON f.id = g.installed_part_id
WHERE g.is_failure AND NOT g.repeat GROUP BY 1, 2
""",
)


def run(sql: str) -> None:
    """Run one statement as it stands."""
    with connection.cursor() as cursor:
        cursor.execute(sql)


def fill_register(units: int) -> None:
    """Put a fleet in by SQL: bringing it in is measured elsewhere."""
    day = DAY[connection.vendor]
    sites = max(1, units * 2 // 5)
    run(SITES_IN.format(count=COUNT.format(many=sites)))
    fitted = day.format(days=f"(i * 37) % {DAYS}")
    run(UNITS_IN.format(count=COUNT.format(many=units), sites=sites, fitted=fitted))
    run(PERIODS_IN)
    for kind in KINDS:
        two = [ComponentType.objects.create(name=f"{kind} made as {way}", kind=kind).pk for way in "ab"]
        for number in range(3):
            FailureMode.objects.create(code=f"{kind[:8]}-{number}", kind=kind, name=f"fails in way {number}")
        run(PARTS_IN.format(first=two[0], second=two[1], kind=kind.value))
    found_on = day.format(days=f"{DAYS} + CAST(n.i AS BIGINT) * 104729 % 650")
    many, parts = units * FINDINGS_EACH, units * len(KINDS)
    run(FINDINGS_IN.format(count=COUNT.format(many=many), found=found_on, parts=parts))
    run("ANALYZE")


def median_seconds(work: Callable[[], object]) -> float:
    """Time one piece of work a few times."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def bare_aggregate() -> None:
    """Add up days and failures and fetch the sums, no more."""
    until = DAY[connection.vendor].format(days=DAYS + 650)
    age = AGE[connection.vendor].format(until=until, since="f.fitted_on")
    with connection.cursor() as cursor:
        for statement in BARE:
            cursor.execute(statement.format(age=age))
            cursor.fetchall()


def signed_in_owner() -> Client:
    """Give a browser in which an owner is signed in."""
    owner = User.objects.create_user("bench-owner")
    owner.groups.add(Group.objects.get_or_create(name=Role.OWNER.value)[0])
    client = Client()
    client.force_login(owner)
    return client


def ask(client: Client, address: str) -> None:
    """Ask for a page and look that it came."""
    answer = client.get(address)
    assert answer.status_code == 200, answer.status_code


def ask_after_a_change(client: Client, address: str) -> None:
    """Change a finding, and ask for a page."""
    Finding.objects.filter(pk=next(KEYS)).update(note="looked at again")
    ask(client, address)


def main() -> None:
    """Fill a database, measure, and print."""
    parser = argparse.ArgumentParser(description="Measure the rates page.")
    parser.add_argument("--units", type=int, default=66_667, help="units in the fleet (66,667)")
    units: int = parser.parse_args().units
    folder = tempfile.TemporaryDirectory(prefix="sashkeep-bench-")
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = str(Path(folder.name) / "bench.sqlite3")
    settings.STATIC_ROOT = Path(folder.name) / "static"
    call_command("collectstatic", interactive=False, verbosity=0)
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        fill_register(units)
        client = signed_in_owner()
        bare = median_seconds(bare_aggregate)
        print(
            f"{connection.vendor}: {units:,} units, {units * len(KINDS):,} installed parts,"
            f" {units * FINDINGS_EACH:,} findings; bare aggregate {bare:.2f} s, the middle of {ROUNDS}"
        )
        settings.FIGURES_APART_FROM = units + 1  # computed by the page itself, as a worker does it
        for name, address in (
            ("by type of part", "/figures/rates/"),
            ("by failure", "/figures/rates/?by=mode"),
            ("one kind of part", "/figures/rates/?part=track"),
        ):
            took = median_seconds(lambda address=address: ask_after_a_change(client, address))  # type: ignore[misc]
            again = median_seconds(lambda address=address: ask(client, address))  # type: ignore[misc]
            print(
                f"{connection.vendor}: rates page {name} after a change {took:.2f} s, {took / bare:.2f} bare"
                f" aggregates; with nothing changed {again:.3f} s"
            )
    finally:
        connection.creation.destroy_test_db(connection.settings_dict["NAME"], verbosity=0)
        folder.cleanup()


if __name__ == "__main__":
    main()
