"""Calendar feeds: building one, and a poll after which nothing changed, as a share of building it.

500 visits, which is what a company plans ahead, and 10,000. A poll goes through the server's own stack with
the entity tag that the reader got last. Runs on the database of DATABASE_URL; without one on SQLite in a
temporary folder.
"""

from __future__ import annotations

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

from datetime import timedelta  # noqa: E402 - after setup

from django.db import connection  # noqa: E402 - after setup
from django.test import Client  # noqa: E402 - after setup
from django.utils import timezone  # noqa: E402 - after setup

from schedules import operations  # noqa: E402 - after setup
from schedules.calendars.feeds import visits_feed  # noqa: E402 - after setup
from schedules.models import MaintenanceTask, Visit, VisitTask  # noqa: E402 - after setup
from servicedesk.accounts.models import User  # noqa: E402 - after setup
from units.models import Site, Unit  # noqa: E402 - after setup

ROUNDS = 7


def median_seconds(work: Callable[[], object]) -> float:
    """Time one piece of work a few times."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def fill(number: int, person: User) -> None:
    """Plan visits of one person, three tasks each, over half a year."""
    now = timezone.now()
    site = Site.objects.create(code=f"B{number}", address="1 Bench Lane", latitude=40, longitude=-74)
    unit = Unit.objects.create(code=f"B{number}", site=site, installed_on=now.date())
    visits = Visit.objects.bulk_create(
        Visit(
            site=site,
            place="1 Bench Lane",
            starts_at=now + timedelta(days=170) * (each / number),
            ends_at=now + timedelta(days=170) * (each / number) + timedelta(hours=1),
            zone="America/New_York",
            created_at=now,
            changed_at=now,
        )
        for each in range(number)
    )
    Visit.technicians.through.objects.bulk_create(
        Visit.technicians.through(visit=visit, user=person) for visit in visits
    )
    tasks = MaintenanceTask.objects.bulk_create(
        MaintenanceTask(site=site, unit=unit, origin="care", reason="Lubricate the track", due_on=now.date())
        for _ in range(3 * number)
    )
    VisitTask.objects.bulk_create(
        VisitTask(visit=visits[place // 3], task=task) for place, task in enumerate(tasks)
    )


def main() -> None:
    """Fill a database, measure, and print."""
    folder = tempfile.TemporaryDirectory(prefix="sashkeep-bench-")
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = str(Path(folder.name) / "bench.sqlite3")
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        for number in (500, 10_000):
            person = User.objects.create_user(f"bench-{number}", name="Bench")
            fill(number, person)
            _, secret = operations.make_link(person, by=person, at=timezone.now())
            client, address = Client(), f"/calendar/{secret}.ics"
            tag = client.get(address)["ETag"]
            building = median_seconds(lambda person=person: visits_feed(person, at=timezone.now()))  # type: ignore[misc]

            def poll(client: Client = client, address: str = address, tag: str = tag) -> None:
                assert client.get(address, headers={"if-none-match": tag}).status_code == 304

            polling = median_seconds(poll)
            print(
                f"{connection.vendor}: {number:,} visits: built in {building:.2f} s; a poll with nothing"
                f" changed {polling * 1000:.1f} ms, {100 * polling / building:.1f} % of that"
            )
    finally:
        connection.creation.destroy_test_db(connection.settings_dict["NAME"], verbosity=0)
        folder.cleanup()


if __name__ == "__main__":
    main()
