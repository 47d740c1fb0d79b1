"""No page asks the database more often because there is more to show.

Every address is opened with the demo company and a few rows of everything, and again with some more of each:
both times it asks as many questions.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from schedules.models import MaintenanceTask, Visit
from schedules.notifications.links import VisitKey, opt_out_token, visit_token
from schedules.operations import make_link
from schedules.plans.weeks import monday_of
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Call, Finding
from servicedesk.core.models import Batch
from tests.every_address import ALL, OPEN, address_of, shown_records
from tests.kept_values import forget_all
from tests.more_rows import LOT, Shown, grow
from units.models import ComponentType, Customer, Unit

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.long,
    pytest.mark.sqlite,  # the questions are the same on both databases, and asking them takes minutes
]

FEW, MORE = 2, 5


def shown_of(people: dict[str, User]) -> Shown:
    """Name the records for which the pages are opened: those that `shown_records` finds."""
    records: dict[str, Any] = {
        "unit": Unit.objects.in_place().select_related("site").order_by("pk").first(),
        "visit": Visit.objects.open().select_related("site").order_by("pk").first(),
        "call": Call.objects.open().select_related("site").order_by("pk").first(),
        "finding": Finding.objects.order_by("pk").first(),
        "task": MaintenanceTask.objects.open().order_by("pk").first(),
        "customer": Customer.objects.order_by("pk").first(),
        "batch": Batch.objects.order_by("-pk").first(),
    }
    return Shown(people=people, **records)


def questions(shown: Shown) -> dict[str, tuple[str, str]]:
    """Give pages that show more when something is asked of them, and those behind a secret: who, address."""
    unit, site, call = shown.unit, shown.site, shown.call
    one, other = ComponentType.objects.filter(kind="track").order_by("name")[:2]
    _, secret = make_link(shown.people["technician"], by=shown.people["owner"], at=timezone.now())
    customer = shown.visit.site.ownerships.order_by("-from_on")[0].customer_id
    week = monday_of(shown.visit.local_start.date()).isoformat()
    return {
        "home of a technician": ("technician", "/"),
        "home of a scheduler": ("scheduler", "/"),
        "home of an owner": ("owner", "/"),
        "due work found": ("scheduler", "/due/?q=more"),
        "due work ahead": ("scheduler", "/due/?until=2030-01-01"),
        "units found": ("technician", "/units/?q=more"),
        "units of a lot": ("technician", f"/units/?q={LOT}"),
        "sites found": ("technician", "/sites/?q=more"),
        "customers found": ("scheduler", "/customers/?q=Probeson"),
        "calls found": ("technician", "/calls/?q=more"),
        "all calls": ("technician", "/calls/?state=all"),
        "calls that wait": ("technician", "/calls/?state=waiting"),
        "site of a caller": ("technician", "/calls/log/?q=more"),
        "call about a unit": ("technician", f"/calls/log/{site.pk}/?unit={unit.pk}"),
        "finding of a mode": (
            "technician",
            f"/calls/{call.pk}/findings/add/?mode={shown.finding.mode_id}&found_on=2026-11-20",
        ),
        "site to visit": ("scheduler", "/visits/plan/?q=more"),
        "visit to a site": ("scheduler", f"/visits/plan/?site={site.pk}"),
        "week of visits": ("scheduler", f"/visits/?who=team&week={week}"),
        "week sheet": ("scheduler", f"/week/?week={week}"),
        "customers to ask": ("scheduler", f"/letters/ask/?week={week}"),
        "calendar of the team": ("scheduler", "/visits/export.ics?who=team"),
        "letters that wait": ("scheduler", "/letters/?stage=waiting"),
        "rates by lot": ("owner", "/figures/rates/?by=lot"),
        "rates by failure": ("owner", "/figures/rates/?by=mode"),
        "rates of one kind": ("owner", "/figures/rates/?part=track"),
        "two types": ("owner", f"/figures/compare/?one={one.pk}&other={other.pk}"),
        "findings of a mode": ("owner", f"/figures/findings/?mode={shown.finding.mode_id}"),
        "feed of visits": ("", reverse("schedules:feed", args=[secret])),
        "feed of care": ("", reverse("schedules:feed_of_due", args=[secret])),
        "feed of to-dos": ("", reverse("schedules:feed_of_todos", args=[secret])),
        "page of a customer": (
            "",
            reverse("portal:customer_visit", args=[visit_token(VisitKey(shown.visit.pk, customer))]),
        ),
        "wishes of a customer": (
            "",
            reverse("portal:email_preference", args=[opt_out_token(shown.customer.pk)]),
        ),
    }


def doors(shown: Shown) -> dict[str, tuple[str, str]]:
    """Give every address, by whom it is opened."""
    addresses, records = {}, shown_records()
    for name, pattern in ALL.items():
        needs: Role | None = getattr(pattern.callback, "opens_to", None)
        who = needs.value if needs else "" if name in OPEN - {"field:token"} else "technician"
        addresses[name] = (who, address_of(name, records))
    return addresses | questions(shown)


def count_queries(client: Client, address: str) -> tuple[int, int]:
    """Open an address: its status, and what it asked."""
    with CaptureQueriesContext(connection) as captured:
        answer = client.get(address)
        b"".join(answer) if answer.streaming else answer.content
    return answer.status_code, len(captured)


def count_all(clients: dict[str, Client], opened: dict[str, tuple[str, str]]) -> dict[str, Any]:
    """Open every address with no figure kept from before; within a round each figure is worked out once."""
    forget_all()
    return {name: count_queries(clients[who], address) for name, (who, address) in opened.items()}


@pytest.fixture(scope="module")
def counts(demo: dict[str, User], django_db_blocker: Any) -> Iterator[dict[str, Any]]:
    """How often each address asked with a few rows and with more."""
    with django_db_blocker.unblock():
        shown = shown_of(demo)
        clients = {"": Client()}
        for role in Role:
            clients[role.value] = Client()
            clients[role.value].force_login(demo[role.value])
        opened = doors(shown)
        grow(shown, times=FEW)
        for client in clients.values():
            client.get("/")  # what a process keeps for good is kept from here on
        first = count_all(clients, opened)
        grow(shown, times=MORE)
        then = count_all(clients, opened)
        yield {name: (first[name], then[name]) for name in opened}


def test_no_page_asks_more_often_with_more_rows(counts: dict[str, Any]) -> None:
    grew = {}
    for name, ((status, few), (again, more)) in counts.items():
        assert status == again, name
        if more > few:
            grew[name] = f"{few} questions with a few rows, {more} with some more"
    assert grew == {}
