"""CPU seconds of every page of figures with nothing kept, and of processes that start, on the demo company.

The pages are asked for through the server's own stack by an owner who is signed in, each cold: all caches are
emptied before. They stand beside bare work of the same run: two SQL statements that add up watched days and
failures by type, and the arithmetic of one thousand draws of sites for each type. Then `manage.py figures`
starts (its help, and a question it refuses), and a web worker of gunicorn serves pages of the office and of
the porch. The least of several rounds counts. Ends with 1 where a bar is missed.

Runs on the database of DATABASE_URL; without one on SQLite in a temporary folder.
"""

from __future__ import annotations

import gc
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from io import StringIO
from pathlib import Path
from urllib.request import Request, urlopen

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
os.environ.setdefault("SECRET_KEY", "bench-only")
os.environ["LOG_LEVEL"] = "ERROR"
os.environ["ALLOWED_HOSTS"] = "testserver,127.0.0.1"

import django

django.setup()

import numpy as np  # noqa: E402 - after setup
from django.conf import settings  # noqa: E402 - after setup
from django.core.management import call_command  # noqa: E402 - after setup
from django.db import connection  # noqa: E402 - after setup
from django.test import Client  # noqa: E402 - after setup

from schedules.models import Visit  # noqa: E402 - after setup
from servicedesk.accounts.models import Role, User  # noqa: E402 - after setup
from servicedesk.calls.models import Call  # noqa: E402 - after setup
from servicedesk.reports.maintenance.forms import rules_in_force  # noqa: E402 - after setup
from tests.kept_values import forget_all  # noqa: E402 - after setup
from tests.servicedesk.real_server import Server, database_address, serving  # noqa: E402 - after setup
from units.models import ComponentType, Kind, Unit  # noqa: E402 - after setup

ROUNDS = 3
PAGE_BAR, YEAR_BAR, COMMAND_BAR, WORKER_BAR = 1.0, 2.0, 1.0, 1.5
"""CPU seconds."""
MEMORY_BAR = 110
"""Megabytes a worker holds after it served the pages below."""
MB = 1024 * 1024
DRAWS, NODES = 1000, 48

DAYS = {"sqlite": "julianday({0})", "postgresql": "({0} - DATE '2000-01-01')"}
BARE = (
    """
SELECT f.component_type_id, COUNT(*), SUM({until} - {since})
FROM units_installedpart f JOIN units_observationperiod p ON p.unit_id = f.unit_id GROUP BY 1
""",
    """
SELECT f.component_type_id, g.mode_id, COUNT(*)
FROM calls_finding g JOIN units_installedpart f ON f.id = g.installed_part_id
WHERE g.is_failure AND NOT g.repeat GROUP BY 1, 2
""",
)

missed: list[str] = []


def cpu_of(work: Callable[[], object]) -> float:
    """Give the least CPU seconds that a piece of work takes in this process."""
    least = float("inf")
    for _ in range(ROUNDS):
        start = time.process_time()
        work()
        least = min(least, time.process_time() - start)
    return least


def tell(what: str, took: float, bar: float | None = None, *, unit: str = "s", beside: str = "") -> None:
    """Print a measurement beside its bar, and note it in ``missed`` where it is above."""
    over = bar is not None and took > bar
    verdict = "" if bar is None else f", MISSES {bar:g} {unit}" if over else f", bar {bar:g} {unit}"
    print(f"{connection.vendor}: {what} {took:.2f} {unit}{verdict}{beside}", flush=True)
    if over:
        missed.append(what)


def bare_work() -> None:
    """Add up days and failures by type in SQL, and draw and add up the sites of each type in numpy."""
    until, since = (
        DAYS[connection.vendor].format(day) for day in ("COALESCE(f.removed_on, CURRENT_DATE)", "f.fitted_on")
    )
    with connection.cursor() as cursor:
        for statement in BARE:
            cursor.execute(statement.format(until=until, since=since))
            rows = cursor.fetchall()
            assert rows
        cursor.execute(
            "SELECT f.component_type_id, COUNT(DISTINCT u.site_id) FROM units_installedpart f"
            " JOIN units_unit u ON u.id = f.unit_id GROUP BY 1"
        )
        sites_of_types = [sites for _, sites in cursor.fetchall()]
    rng = np.random.default_rng(0)
    for sites in sites_of_types:
        drawn = rng.integers(sites, size=(DRAWS, sites)) + sites * np.arange(DRAWS)[:, np.newaxis]
        weights = np.bincount(drawn.ravel(), minlength=DRAWS * sites).reshape(DRAWS, sites)
        np.exp(weights.astype(np.float64) @ rng.random((sites, NODES)) / sites)


def pages(client: Client) -> Iterator[tuple[str, list[str], float | None]]:
    """Name the pages of figures, their addresses, and the bar of each."""
    yield "the last twelve months", ["/figures/"], PAGE_BAR
    yield (
        "rates",
        [f"/figures/rates/?by={by}" for by in ("component", "part", "mode", "facing", "lot")],
        PAGE_BAR,
    )
    links = re.findall(r'"(/figures/compare/\?[^"]*)"', client.get("/figures/compare/").content.decode())
    assert links
    yield "two types", sorted({link.replace("&amp;", "&") for link in links}), PAGE_BAR
    kinds = sorted(set(ComponentType.objects.exclude(kind=Kind.UNIT).values_list("kind", flat=True)))
    for name in ("aging", "lasting"):
        yield name, [f"/figures/{name}/", *(f"/figures/{name}/?part={kind}" for kind in kinds)], PAGE_BAR
    yield "the next twelve months", ["/figures/forecast/"], PAGE_BAR
    costs = "maintenance_cost=60&failure_cost=240&replace_cost=150"
    maintenance = [f"/figures/maintenance/?rule={rule.pk}&{costs}" for rule in rules_in_force()]
    yield "care", maintenance, PAGE_BAR
    for name in ("surveillance", "findings", "predictions", "log"):
        yield name, [f"/figures/{name}/"], PAGE_BAR
    yield "the report of the year", ["/figures/year/"], YEAR_BAR
    yield "the report of the year as a file", ["/figures/year/?csv"], None
    yield "the report of the year on paper", ["/figures/year/?pdf"], None


def measure_pages(client: Client) -> None:
    """Ask for every page cold, and tell what the dearest of each sort takes."""
    gc.collect()
    gc.freeze()  # as wsgi.py does: what loading the demo left is not looked through in each round
    bare = cpu_of(bare_work)
    tell("bare SQL and arithmetic", bare)
    for name, addresses, bar in pages(client):
        times = {address: cpu_of(lambda address=address: ask_cold(client, address)) for address in addresses}  # type: ignore[misc]
        dearest = max(times, key=times.__getitem__)
        of = f" (the dearest of {len(times)})" if len(times) > 1 else ""
        tell(f"{name}{of}", times[dearest], bar, beside=f", {times[dearest] / bare:.1f} times the bare work")


def ask_cold(client: Client, address: str) -> None:
    """Ask for a page with nothing kept, and look that it came."""
    forget_all()
    answer = client.get(address)
    assert answer.status_code == 200, (address, answer.status_code)
    assert answer.content


def measure_command(folder: Path) -> None:
    """Start `manage.py figures` for its help and for a question that it refuses."""
    env = {**os.environ, "DATABASE_URL": database_address(), "DATA_DIR": str(folder)}
    for words, status in ((["--help"], 0), (["rates", "--from", "yesterday"], 2)):
        command = [sys.executable, str(settings.BASE_DIR / "manage.py"), "figures", *words]
        least = float("inf")
        for _ in range(ROUNDS + 1):  # the first may have to compile what it reads
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            done = subprocess.run(command, env=env, capture_output=True, cwd=settings.BASE_DIR)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            assert done.returncode == status, done.stderr.decode()
            took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            least = min(least, took)
        tell(f"manage.py figures {' '.join(words)}", least, COMMAND_BAR)


def cpu_of_worker(server: Server) -> float:
    """Read the CPU seconds a worker has taken so far."""
    rows = Path(f"/proc/{server.worker}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(rows[11]) + int(rows[12])) / os.sysconf("SC_CLK_TCK")


def measure_worker(folder: Path, sessions: dict[str, str]) -> None:
    """Start a web worker, and let it serve pages of the office and of the porch."""
    unit, call = Unit.objects.in_place().order_by("pk")[0], Call.objects.open().order_by("pk")[0]
    visit = Visit.objects.open().filter(technicians__username="tess").order_by("pk")[0]
    requests = [
        *((who, "/") for who in sessions),
        *(("sol", address) for address in ("/units/", f"/units/{unit.pk}/", f"/sites/{unit.site_id}/")),
        *(("sol", address) for address in ("/calls/", f"/calls/{call.pk}/", f"/visits/{visit.pk}/")),
        *(
            ("tess", address)
            for address in ("/field/", f"/field/stops/{visit.pk}/", f"/field/units/{unit.pk}/")
        ),
    ]
    starts, memory, served = [], [], []
    for number in range(ROUNDS):
        place = folder / f"worker-{number}"
        place.mkdir()
        with serving(place) as server:
            starts.append(cpu_of_worker(server))
            for who, address in requests:
                cookie = {"Cookie": f"{settings.SESSION_COOKIE_NAME}={sessions[who]}"}
                with urlopen(Request(f"http://127.0.0.1:{server.port}{address}", headers=cookie)) as answer:
                    assert answer.url.endswith(address), (address, answer.url)
                    assert answer.read()
            served.append(cpu_of_worker(server))
            memory.append(server.memory("VmRSS") / MB)
    tell("a web worker starts in", min(starts), WORKER_BAR)
    tell(f"and {len(requests)} first pages later it has taken", min(served))
    tell("and holds", max(memory), MEMORY_BAR, unit="MB")


def main() -> int:
    """Load the demo company, measure, and print."""
    with tempfile.TemporaryDirectory(prefix="sashkeep-bench-") as name:
        folder = Path(name)
        if connection.vendor == "sqlite":
            connection.settings_dict["TEST"]["NAME"] = str(folder / "bench.sqlite3")
        settings.STATIC_ROOT = folder / "static"
        settings.FIGURES_DIR = folder / "figures"
        settings.CACHES["figures"]["LOCATION"] = str(folder / "figures")
        call_command("collectstatic", interactive=False, verbosity=0)
        connection.creation.create_test_db(verbosity=0, autoclobber=True)
        try:
            for command in ("load_reference", "load_demo"):
                call_command(command, stdout=StringIO())
            clients, sessions = {}, {}
            for who, role in (("tess", Role.TECHNICIAN), ("sol", Role.SCHEDULER), ("olive", Role.OWNER)):
                person = User.objects.get(username=who)
                assert person.role == role
                clients[who] = Client()
                clients[who].force_login(person)
                sessions[who] = clients[who].cookies[settings.SESSION_COOKIE_NAME].value
            print(f"{connection.vendor}: the demo company; the least of {ROUNDS} rounds")
            measure_pages(clients["olive"])
            measure_command(folder)
            measure_worker(folder, sessions)
        finally:
            connection.creation.destroy_test_db(connection.settings_dict["NAME"], verbosity=0)
    print(f"{len(missed)} bars missed{': ' if missed else ''}{'; '.join(missed)}")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
