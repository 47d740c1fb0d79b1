"""The company whose day is scripted: its people, their visits of these days, and their calendars.

Run in a process of the desk, after the fleet was brought in: signs everybody up and plans through the
operations that the pages use, and prints what the script has to know as JSON.

    PYTHONPATH=. python tests/load/company.py --technicians 50 --schedulers 5 --owners 2
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import cycle

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")

import django

django.setup()

from django.utils import timezone  # noqa: E402 - after setup

from schedules.operations import confirm_visit, make_link, plan_visit  # noqa: E402 - after setup
from servicedesk.accounts.models import Role, User  # noqa: E402 - after setup
from servicedesk.accounts.operations import add_person  # noqa: E402 - after setup
from units.models import Site, Unit  # noqa: E402 - after setup

PASSWORD = "a-long-made-up-word"
DAYS, STOPS = 3, 6
MOST_SITES = 2_000
FIRST_STOP, BETWEEN, MINUTES = time(7, 30), timedelta(minutes=75), 45


def sign_up(role: Role, number: int, *, at: datetime) -> list[User]:
    """Let some people of a role sign in."""
    return [
        add_person(
            f"{role.value}{each}",
            name=f"Testa {role.label} {each}",
            role=role,
            password=PASSWORD,
            by=None,
            at=at,
        )
        for each in range(number)
    ]


def plan_days(people: Sequence[User], *, first: date, by: User) -> int:
    """Give everybody rounds of some days at sites next to each other, those of the first day confirmed."""
    dawn = timezone.make_aware(datetime.combine(first, time.min))
    sites = _sites()
    planned = 0
    for person in people:
        for day in range(DAYS):
            begins = timezone.make_aware(datetime.combine(first + timedelta(days=day), FIRST_STOP))
            for stop in range(STOPS):
                site = next(sites)
                visit = plan_visit(
                    site,
                    starts_at=begins + stop * BETWEEN,
                    minutes=MINUTES,
                    technicians=[person],
                    tasks=list(site.tasks.unplanned().order_by("priority", "pk")[:4]),
                    note="Ring twice.",
                    all_the_same=True,
                    by=by,
                    at=dawn,
                )
                planned += 1
                if not day:
                    confirm_visit(visit, by=by, at=dawn)
    return planned


def _sites() -> Iterator[Site]:
    """Give sites with units in place, one after the other; after the last the first again."""
    sites = Site.objects.filter(units__in=Unit.objects.in_place()).distinct().order_by("code")
    return cycle(sites[:MOST_SITES])


def main() -> None:
    """Set the company up and say what the script must know."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    for role in Role:
        parser.add_argument(f"--{role.value}s", type=int, required=True)
    options = parser.parse_args()
    now, today = timezone.now(), timezone.localdate()
    people = {role: sign_up(role, getattr(options, f"{role.value}s"), at=now) for role in Role}
    installation = people[Role.SCHEDULER][0]
    visits = plan_days(people[Role.TECHNICIAN], first=today, by=installation)
    owners_of_links = [*people[Role.TECHNICIAN], None]
    summary = {
        "password": PASSWORD,
        "today": today.isoformat(),
        "visits": visits,
        "secrets": [make_link(person, by=installation, at=now)[1] for person in owners_of_links],
        "numbers": {
            "units": Unit.objects.count(),
            **{f"{role.value}s": len(users) for role, users in people.items()},
        },
        **{f"{role.value}s": [person.username for person in users] for role, users in people.items()},
    }
    print(json.dumps(summary))


if __name__ == "__main__":
    main()
