"""Figures of a large fleet: worked out by another process, with a page that waits, on a real server."""

from __future__ import annotations

import csv
import http.client
import io
import os
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
import time_machine
from django.core import signing
from django.test import Client
from django.utils import timezone

from schedules.models import CareRule
from servicedesk.people.models import Touch, User
from servicedesk.reports.patience import ASKED
from tests.factories import CareRuleFactory, ComponentTypeFactory
from tests.servicedesk.real_server import Server, serving
from tests.servicedesk.reports.pages import csv_rows, link_saying, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet

pytestmark = pytest.mark.django_db(transaction=True)

HX = {"HX-Request": "true"}
RATES = "/figures/rates/"


@dataclass(frozen=True)
class Told:
    """What was answered."""

    status: int
    words: str
    leads_to: str
    kind: str


@dataclass(frozen=True)
class Desk:
    """A running server and somebody signed in."""

    server: Server
    session: str

    def open(self, address: str, **headers: str) -> Told:
        """Open an address, with headers named as in Python."""
        line = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=120)
        told = {name.replace("_", "-"): value for name, value in headers.items()}
        line.request("GET", address, headers={"Cookie": f"sessionid={self.session}", **told})
        answer = line.getresponse()
        words = answer.read().decode(errors="replace")
        line.close()
        return Told(
            answer.status, words, answer.headers.get("HX-Redirect", ""), answer.headers["Content-Type"] or ""
        )

    def wait(self, waiting: Told) -> Told:
        """Ask again, as the page that waits does, until that leads somewhere."""
        again = link_saying(waiting.words, "Look again now")
        end = time.monotonic() + 120
        while (told := self.open(again, **HX)).status == 204:
            assert time.monotonic() < end
            time.sleep(0.2)
        return told

    def figures(self, address: str) -> str:
        """Open a page whose figures are worked out apart, and wait for it."""
        told = self.open(address)
        if told.status == 202:
            told = self.wait(told)
            assert told.leads_to, plain(told.words)[:500]
            told = self.open(told.leads_to)
            assert "Worked out from the records as they stood at" in plain(told.words)
        assert told.status == 200, plain(told.words)[:500]
        return told.words

    def helpers(self) -> list[int]:
        """Name the processes that work figures out for the worker."""
        found = []
        for task in Path(f"/proc/{self.server.worker}/task").iterdir():
            for child in (task / "children").read_text().split():
                try:
                    words = Path(f"/proc/{child}/cmdline").read_bytes()
                except FileNotFoundError:
                    continue
                if b"servicedesk.reports.helper" in words:
                    found.append(int(child))
        return found


@pytest.fixture(scope="module")
def server(django_db_setup: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server to which every fleet is large, and where nobody waits long."""
    told = {"FIGURES_APART_FROM": "1", "FIGURES_WAIT_SECONDS": "0"}
    with serving(tmp_path_factory.mktemp("server"), **told) as running:
        yield running


@pytest.fixture
def desk(server: Server, owner: User) -> Desk:
    """The server, with an owner signed in."""
    client = Client()
    client.force_login(owner)
    return Desk(server, client.cookies["sessionid"].value)


def fleet_of(number: int) -> Fleet:
    """Put up some tracks at sites of their own, each of which failed once."""
    fleet = Fleet()
    for turn in range(number):
        fleet.find(fleet.watched_part(), 500 + turn)
    return fleet


def asked(told: Told) -> str:
    """Give the address under which the page that waits asks again."""
    return link_saying(told.words, "Look again now")


def test_the_page_waits_and_leads_to_what_a_small_fleet_sees_at_once(desk: Desk, as_owner: Client) -> None:
    fleet_of(6)
    first = desk.open(RATES)
    assert first.status == 202
    assert "Being worked out" in first.words
    assert rows(desk.figures(RATES)) == rows(as_owner.get(RATES).content.decode())
    assert desk.open(RATES).status == 200  # it is kept
    [process] = desk.helpers()
    assert process != desk.server.worker


def test_every_page_of_figures_can_be_worked_out_apart(desk: Desk, as_owner: Client) -> None:
    fleet = fleet_of(6)
    other = ComponentTypeFactory(kind=fleet.track.kind)
    for turn in range(3):
        fleet.find(fleet.watched_part(of=other), 600 + turn)
    rule: CareRule = CareRuleFactory(component_type=fleet.track)
    for address in (
        "/figures/",
        RATES,
        "/figures/rates/?by=mode",
        f"/figures/compare/?one={fleet.track.pk}&other={other.pk}",
        "/figures/ageing/",
        "/figures/lasting/",
        "/figures/ahead/",
        f"/figures/care/?rule={rule.pk}",
        "/figures/foretold/",
        "/figures/year/",
    ):
        at_once = open_page(as_owner, address)
        assert desk.open(address).status == 202, address
        assert rows(desk.figures(address)) == rows(at_once), address


def test_a_file_is_offered_when_its_figures_are_there(desk: Desk, as_owner: Client) -> None:
    fleet_of(3)
    for address, kind in (
        (f"{RATES}?csv=1", "text/csv"),
        ("/figures/year/?csv=1", "text/csv"),
        ("/figures/year/?pdf=1", "application/pdf"),
    ):
        first = desk.open(address)
        assert first.status == 202
        told = desk.wait(first)
        assert not told.leads_to  # the page is not left for it
        file = desk.open(link_saying(told.words, "Take the file"))
        assert (file.status, file.kind.split(";")[0]) == (200, kind)
        if kind == "text/csv":
            there = list(csv.DictReader(io.StringIO(file.words.removeprefix("\ufeff"))))
            assert there == csv_rows(as_owner, address)


def test_a_page_that_waits_gets_there_while_records_come_in_all_the_time(desk: Desk) -> None:
    fleet = fleet_of(2)
    first = desk.open(RATES)
    again, end = asked(first), time.monotonic() + 120
    while (told := desk.open(again, **HX)).status == 204:
        fleet.find(fleet.watched_part(), 700)
        assert time.monotonic() < end
    page = desk.open(told.leads_to)
    assert page.status == 200
    assert desk.open(RATES).status == 202  # a new asking is about what there is now


def test_it_is_worked_out_again_where_its_process_is_killed(desk: Desk) -> None:
    fleet = fleet_of(2)
    desk.figures(RATES)
    [before] = desk.helpers()
    fleet.find(fleet.watched_part(), 700)
    first = desk.open(RATES)
    assert first.status == 202
    os.kill(before, signal.SIGKILL)
    assert desk.wait(first).leads_to
    [after] = desk.helpers()
    assert after != before


def test_an_asking_that_is_not_ours_is_a_new_one(as_owner: Client) -> None:
    fleet_of(2)
    for told in ("x", "", signing.dumps(["1-1", 0.0], salt="of something else")):
        answer = as_owner.get(RATES, {ASKED: told})
        assert answer.status_code == 200
        assert "as they stood at" not in plain(answer.content.decode())


def test_an_asking_holds_for_an_hour(as_owner: Client) -> None:
    fleet_of(2)
    asked = signing.dumps([Touch.objects.version(), time.time()], salt=ASKED)
    for minutes, holds in ((0, True), (59, True), (61, False)):
        with time_machine.travel(timezone.now() + timedelta(minutes=minutes), tick=False):
            as_owner.force_login(User.objects.get())
            said = plain(as_owner.get(RATES, {ASKED: asked}).content.decode())
        assert ("as they stood at" in said) is holds
    page = open_page(as_owner, f"{RATES}?by=mode&{ASKED}={asked}")
    assert link_saying(page, "Work them out anew") == f"{RATES}?by=mode"
