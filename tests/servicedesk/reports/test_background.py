"""Figures of a large fleet: a page that waits, and a task that computes what it waits for."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.utils import timezone
from pytest_django import Settings

from schedules.models import MaintenanceRule
from servicedesk.accounts.models import Role, User
from servicedesk.core.models import TableVersion
from servicedesk.reports import tasks
from servicedesk.reports.caching import background
from servicedesk.reports.caching.background import HOLDS_SECONDS, TAKEN_UP_AGAIN, FigureError
from servicedesk.reports.models import FigureRequest
from servicedesk.reports.rates import views
from tests.factories import ComponentTypeFactory, MaintenanceRuleFactory
from tests.kept_values import forget_all
from tests.servicedesk.reports.pages import csv_rows, link_saying, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet

pytestmark = pytest.mark.django_db

HX = {"HX-Request": "true"}
RATES = "/figures/rates/"
NOTHING = "nothing to do"


@pytest.fixture(autouse=True)
def _large(settings: Settings) -> None:
    settings.FIGURES_APART_FROM = 1
    forget_all()


def fleet_of(number: int) -> Fleet:
    """Put up some tracks at sites of their own, each of which failed once."""
    fleet = Fleet()
    for turn in range(number):
        fleet.find(fleet.watched_part(), 500 + turn)
    return fleet


def waiting(client: Client, address: str) -> str:
    """Open a page that has to wait, and give the address under which it asks again."""
    answer = client.get(address)
    assert answer.status_code == 202, answer.status_code
    words = answer.content.decode()
    assert "Calculating" in words
    return link_saying(words, "Check now")


def led_to(client: Client, again: str) -> str:
    """Ask once as the page that waits does, and give where that leads."""
    answer = client.get(again, headers=HX)
    assert answer.status_code == 200, answer.status_code
    return answer.get("HX-Redirect", "") or link_saying(answer.content.decode(), "Download the file")


def test_a_page_waits_and_leads_to_what_a_small_fleet_sees_at_once(
    as_owner: Client, settings: Settings
) -> None:
    fleet_of(6)
    settings.FIGURES_APART_FROM = 100
    at_once = open_page(as_owner, RATES)
    settings.FIGURES_APART_FROM = 1
    forget_all()
    again = waiting(as_owner, RATES)
    assert as_owner.get(again, headers=HX).status_code == 204
    assert tasks.compute_figures() == "figures of 1 page computed"
    assert tasks.compute_figures() == NOTHING
    assert rows(open_page(as_owner, led_to(as_owner, again))) == rows(at_once)
    page = open_page(as_owner, RATES)  # it is cached
    assert "as they stood at" not in plain(page)


def test_every_page_of_figures_can_be_computed_in_background(as_owner: Client, settings: Settings) -> None:
    fleet = fleet_of(6)
    other = ComponentTypeFactory(kind=fleet.track.kind)
    for turn in range(3):
        fleet.find(fleet.watched_part(of=other), 600 + turn)
    rule: MaintenanceRule = MaintenanceRuleFactory(component_type=fleet.track)
    for address in (
        "/figures/",
        RATES,
        "/figures/rates/?by=mode",
        f"/figures/compare/?one={fleet.track.pk}&other={other.pk}",
        "/figures/aging/",
        "/figures/lasting/",
        "/figures/forecast/",
        f"/figures/maintenance/?rule={rule.pk}",
        "/figures/predictions/",
        "/figures/year/",
    ):
        settings.FIGURES_APART_FROM = 100
        at_once = open_page(as_owner, address)
        settings.FIGURES_APART_FROM = 1
        forget_all()
        again = waiting(as_owner, address)
        assert tasks.compute_figures() == "figures of 1 page computed", address
        assert rows(open_page(as_owner, led_to(as_owner, again))) == rows(at_once), address


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        (f"{RATES}?csv=1", "text/csv"),
        ("/figures/year/?csv=1", "text/csv"),
        ("/figures/year/?pdf=1", "application/pdf"),
    ],
)
def test_a_file_is_offered_when_its_figures_are_there(as_owner: Client, address: str, kind: str) -> None:
    fleet_of(3)
    again = waiting(as_owner, address)
    tasks.compute_figures()
    assert not as_owner.get(again, headers=HX).get("HX-Redirect")  # the page is not left for it
    file = as_owner.get(led_to(as_owner, again))
    assert (file.status_code, file["Content-Type"].split(";")[0]) == (200, kind)
    if kind == "text/csv":
        there = list(csv.DictReader(io.StringIO(file.content.decode().removeprefix("\ufeff"))))
        assert there == csv_rows(as_owner, led_to(as_owner, again))


def test_who_waits_gets_there_while_records_come_in_all_the_time(as_owner: Client) -> None:
    fleet = fleet_of(2)
    again = waiting(as_owner, RATES)
    tasks.compute_figures()
    fleet.find(fleet.watched_part(), 700)
    page = open_page(as_owner, led_to(as_owner, again))
    assert rows(page)[0][1] == "2"
    assert "Calculated from the records as they were at" in plain(page)
    assert link_saying(page, "Recalculate") == RATES
    waiting(as_owner, RATES)  # a new question is about what there is now
    assert not FigureRequest.objects.get().problem


def test_two_who_ask_for_the_same_wait_for_the_same(
    as_owner: Client, user_with: Callable[[Role], User]
) -> None:
    fleet_of(2)
    other = Client()
    other.force_login(user_with(Role.OWNER))
    first, second = waiting(as_owner, RATES), waiting(other, RATES)
    assert first == second
    assert tasks.compute_figures() == "figures of 1 page computed"
    assert led_to(as_owner, first) == led_to(other, second)


def test_who_waits_gets_there_though_the_workers_clock_is_behind(as_owner: Client) -> None:
    fleet = fleet_of(2)
    again = waiting(as_owner, RATES)
    with time_machine.travel(timezone.now() - timedelta(minutes=5), tick=False):
        tasks.compute_figures()
    fleet.find(fleet.watched_part(), 700)
    assert rows(open_page(as_owner, led_to(as_owner, again)))[0][1] == "2"


def test_a_worker_that_died_is_followed_by_another_after_a_while(as_owner: Client) -> None:
    fleet_of(2)
    waiting(as_owner, RATES)
    [wanted] = FigureRequest.objects.all()
    now = timezone.now()
    assert FigureRequest.objects.take_up(wanted, at=now)
    assert not FigureRequest.objects.take_up(wanted, at=now), "two took up the same"
    assert background.compute_requested_figures(at=now) == 0
    assert background.compute_requested_figures(at=now + TAKEN_UP_AGAIN + timedelta(seconds=1)) == 1


def test_who_waits_for_what_fails_is_told_once_and_may_ask_again(
    as_owner: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet_of(2)
    again = waiting(as_owner, RATES)
    with monkeypatch.context() as patch:

        def fail(*_: Any, **__: Any) -> None:
            raise ZeroDivisionError

        patch.setattr(views, "rates_figure", fail)
        assert tasks.compute_figures() == NOTHING
    assert tasks.compute_figures() == NOTHING, "what failed is not tried again by itself"
    with pytest.raises(FigureError, match="ZeroDivisionError"):
        as_owner.get(again, headers=HX)
    again = waiting(as_owner, RATES)
    tasks.compute_figures()
    assert led_to(as_owner, again)


def test_the_address_of_a_page_that_waits_holds_for_an_hour(as_owner: Client) -> None:
    fleet = fleet_of(2)
    page = led_to_after_computing(as_owner)
    fleet.find(fleet.watched_part(), 700)
    for seconds, status in ((0, 200), (HOLDS_SECONDS - 60, 200), (HOLDS_SECONDS + 60, 202)):
        with time_machine.travel(timezone.now() + timedelta(seconds=seconds), tick=False):
            as_owner.force_login(User.objects.get())
            assert as_owner.get(page).status_code == status, seconds


def led_to_after_computing(client: Client) -> str:
    """Ask for rates, have them computed, and give the address of the page."""
    again = waiting(client, RATES)
    tasks.compute_figures()
    return led_to(client, again)


@pytest.mark.parametrize("since", ["x", "", "nan", "-1", "1e400", "99999999999"])
def test_a_moment_that_is_none_asks_anew(as_owner: Client, since: str) -> None:
    fleet = fleet_of(2)
    led_to_after_computing(as_owner)
    fleet.find(fleet.watched_part(), 700)
    assert as_owner.get(RATES, {"since": since}).status_code == 202


def test_an_address_too_long_to_be_stored_is_refused(as_owner: Client) -> None:
    fleet_of(2)
    assert as_owner.get(RATES, {"x": "y" * 2000}).status_code == 400


def test_what_an_import_leaves_is_thrown_away_before_the_night(monkeypatch: pytest.MonkeyPatch) -> None:
    fleet_of(2)
    monkeypatch.setattr(tasks, "MANY_VERSIONS", 1_200)
    TableVersion.objects.bulk_create(TableVersion() for _ in range(1_300))
    tasks.compute_figures()
    assert TableVersion.objects.count() <= 1_001
    before = TableVersion.objects.version()
    tasks.compute_figures()
    assert TableVersion.objects.version() == before
