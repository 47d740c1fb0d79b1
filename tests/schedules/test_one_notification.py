"""One thing is told once: what a letter said a moment ago, another does not say again."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.test import Client
from pytest_django import Settings

from schedules import operations
from schedules.models import Notification, Visit
from schedules.notifications.deliver import send_due_notifications
from schedules.notifications.links import VisitKey, visit_link
from schedules.notifications.questions import VisitAsItWas
from schedules.notifications.queue import write_due_notifications
from tests.factories import CustomerFactory, OwnershipFactory, VisitFactory
from tests.schedules.mail_server import MailServer
from tests.schedules.weeks_of_work import site_at, technician
from units.models import Customer

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)  # a Friday, 8 in the morning in New York
TOMORROW = datetime(2026, 5, 2, 15, 0, tzinfo=UTC)
DAY = timedelta(days=1)
AGREED, NEAR = "Our visit on", "We are coming on"


@pytest.fixture(autouse=True)
def _friday() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def proposed(starts_at: datetime = TOMORROW, email: str = "testa@customer.example") -> Visit:
    """Give a proposed visit whose customer has a mail address."""
    site = site_at(1)
    OwnershipFactory(site=site, customer=CustomerFactory(email=email))
    visit: Visit = VisitFactory(site=site, starts_at=starts_at)
    visit.technicians.add(technician())
    return visit


def tick(at: datetime = NOW) -> None:
    """Do what the clock does each minute."""
    with time_machine.travel(at, tick=False):
        write_due_notifications(at=at)
        send_due_notifications(at=at)


def days(post: MailServer, first: datetime, number: int = 4) -> list[str]:
    """Let the clock run for some days, and list the titles of what came in."""
    for day in range(number):
        for hours in (0, 8):
            tick(first + day * DAY + timedelta(hours=hours))
    return [str(mail["Subject"]).rpartition(" on ")[0] + " on" for mail in post.mails]


def ask(visit: Visit) -> None:
    """Ask the customer of a visit whether it suits."""
    wanted = VisitAsItWas(visit.pk, visit.sequence, Customer.objects.get().pk)
    assert operations.ask_customers([wanted], by=None, at=NOW).written == 1


def moved(visit: Visit, starts_at: datetime, at: datetime) -> None:
    """Move a visit by hand."""
    with time_machine.travel(at, tick=False):
        operations.change_visit(
            visit,
            starts_at=starts_at,
            technicians=list(visit.technicians.all()),
            tasks=[],
            note="x",
            all_the_same=True,
            by=None,
            at=at,
        )


def test_a_visit_confirmed_for_tomorrow_is_told_once(post: MailServer) -> None:
    operations.confirm_visit(proposed(), by=None, at=NOW)
    assert days(post, NOW) == [AGREED]


def test_a_visit_confirmed_long_before_is_told_again_when_it_is_near(post: MailServer) -> None:
    operations.confirm_visit(proposed(NOW + 9 * DAY), by=None, at=NOW)
    assert days(post, NOW, 10) == [AGREED, NEAR]


def test_a_near_visit_that_moves_is_told_once_more_and_not_as_near_too(post: MailServer) -> None:
    visit = proposed(NOW + 9 * DAY)
    operations.confirm_visit(visit, by=None, at=NOW)
    assert days(post, NOW, 8) == [AGREED, NEAR]
    moved(visit, NOW + 10 * DAY, NOW + 8 * DAY)
    assert days(post, NOW + 8 * DAY) == [AGREED, NEAR, AGREED]


def test_a_near_visit_that_moves_far_away_is_told_when_it_is_near_again(post: MailServer) -> None:
    visit = proposed(NOW + 9 * DAY)
    operations.confirm_visit(visit, by=None, at=NOW)
    days(post, NOW, 8)
    moved(visit, NOW + 20 * DAY, NOW + 8 * DAY)
    assert days(post, NOW + 8 * DAY, 14) == [AGREED, NEAR, AGREED, NEAR]


def test_a_reminder_that_waited_while_the_visit_moved_is_not_sent(
    post: MailServer, settings: Settings
) -> None:
    visit = proposed(NOW + 9 * DAY)
    operations.confirm_visit(visit, by=None, at=NOW)
    tick()
    settings.EMAIL_PORT = 1
    tick(NOW + 8 * DAY)
    assert Notification.objects.get(kind="ahead").stage == "waiting"
    moved(visit, NOW + 10 * DAY, NOW + 8 * DAY)
    settings.EMAIL_PORT = post.port
    assert days(post, NOW + 8 * DAY) == [AGREED, AGREED]
    assert Notification.objects.get(kind="ahead").stage == "needless"


def test_who_says_that_it_suits_for_tomorrow_is_told_once(post: MailServer, client: Client) -> None:
    visit = proposed()
    ask(visit)
    tick()
    link = visit_link(VisitKey(visit.pk, Customer.objects.get().pk))
    assert client.post(link.partition("8000")[2], {"what": "suits"}).status_code == 302
    visit.refresh_from_db()
    assert visit.state == "confirmed"
    assert days(post, NOW) == ["May we come on", AGREED]


def test_who_is_asked_and_confirmed_before_the_mail_went_out_is_told_once(post: MailServer) -> None:
    visit = proposed()
    ask(visit)
    operations.confirm_visit(visit, by=None, at=NOW)
    assert days(post, NOW) == [AGREED]


def test_a_visit_called_off_before_anybody_was_told_is_not_told(post: MailServer) -> None:
    visit = proposed()
    operations.confirm_visit(visit, by=None, at=NOW)
    write_due_notifications(at=NOW)
    operations.cancel_visit(visit, why="storm", by=None, at=NOW)
    assert days(post, NOW) == []


def test_a_move_that_is_called_off_is_told_as_called_off_only(post: MailServer) -> None:
    visit = proposed()
    operations.confirm_visit(visit, by=None, at=NOW)
    tick()
    moved(visit, TOMORROW + DAY, NOW)
    operations.cancel_visit(visit, why="storm", by=None, at=NOW)
    assert [mail["Subject"] for mail in post.mails] == ["Our visit on Saturday, May 2, 2026"]
    tick(NOW + timedelta(minutes=1))
    assert [mail["Subject"] for mail in post.mails][1:] == ["Our visit on Sunday, May 3, 2026 is called off"]


def test_who_could_not_be_told_by_mail_at_first_gets_the_reminder(post: MailServer) -> None:
    operations.confirm_visit(proposed(NOW + 9 * DAY, email=""), by=None, at=NOW)
    tick()
    Customer.objects.update(email="testa@customer.example")
    assert days(post, NOW + DAY, 9) == [NEAR]
