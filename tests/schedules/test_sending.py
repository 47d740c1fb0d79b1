"""Sending letters while time passes, with a second sender, and with addresses of every kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, ClassVar
from uuid import uuid4

import icalendar
import pytest
import time_machine
from django.core import mail
from django.core.mail import EmailMessage
from django.core.mail.backends.locmem import EmailBackend
from django.core.management import CommandError, call_command
from django.test import Client
from pytest_django import Settings

from schedules.models import Notification, Visit
from schedules.notifications.deliver import LEASE_DURATION, send_due_notifications
from schedules.notifications.queue import write_due_notifications
from servicedesk.accounts.models import User
from tests.factories import CustomerFactory, OwnershipFactory, VisitFactory
from tests.schedules.mail_server import MailServer
from tests.schedules.planned_visits import told
from tests.schedules.weeks_of_work import site_at, technician
from units.models import Customer

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
START = datetime(2026, 5, 8, 13, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def clock() -> Iterator[time_machine.Traveler]:
    """The clock of the desk, which stands still unless a test moves it."""
    with time_machine.travel(NOW, tick=False) as traveler:
        yield traveler


def agreed(number: int, email: str = "") -> Visit:
    """Give a confirmed visit whose customer is to be told by mail."""
    site = site_at(number)
    OwnershipFactory(site=site, customer=CustomerFactory(email=email or f"c{number}@customer.example"))
    visit: Visit = VisitFactory(site=site, starts_at=START, state="confirmed")
    visit.technicians.add(technician())
    return visit


class SlowBackend(EmailBackend):
    """A mail server that takes a minute for each mail, while another sender of the desk looks for letters."""

    clock: ClassVar[Any]
    dies_at: ClassVar[int | None] = None
    taken: ClassVar[int] = 0
    sent_by_others: ClassVar[int] = 0
    asked_by_others: ClassVar[bool] = False

    def send_messages(self, messages: Sequence[EmailMessage]) -> int:
        """Take mails slowly."""
        cls = type(self)
        if not cls.asked_by_others:
            cls.taken += 1
            if cls.taken == cls.dies_at:
                raise KeyboardInterrupt
            cls.clock.shift(timedelta(minutes=1))
            if cls.taken == 21:
                cls.asked_by_others = True
                cls.sent_by_others = send_due_notifications(at=datetime.now(UTC))
                cls.asked_by_others = False
        return super().send_messages(messages)


@pytest.fixture
def slow(settings: Settings, clock: time_machine.Traveler) -> type[SlowBackend]:
    """A desk that sends through the slow server."""

    class Slow(SlowBackend):
        pass

    Slow.clock = clock
    globals()["Slow"] = Slow
    settings.EMAIL_BACKEND = f"{__name__}.Slow"
    return Slow


def message_ids() -> Counter[str]:
    """Count how often each letter went out."""
    return Counter(message.extra_headers["Message-ID"] for message in mail.outbox)


def test_a_run_that_outlasts_its_lease_sends_no_notification_twice(slow: type[SlowBackend]) -> None:
    for number in range(30):
        agreed(number)
    write_due_notifications(at=NOW)
    sent = send_due_notifications(at=NOW)
    assert slow.sent_by_others == 9  # all but those that are out and the one that is being handed over
    assert sent == 21
    assert set(message_ids().values()) == {1}
    assert len(message_ids()) == 30
    assert set(Notification.objects.values_list("stage", flat=True)) == {"sent"}


def test_who_dies_in_mid_run_gives_back_one_notification_after_its_lease(
    slow: type[SlowBackend], clock: time_machine.Traveler
) -> None:
    for number in range(12):
        agreed(number)
    write_due_notifications(at=NOW)
    slow.dies_at = 9  # eight minutes after the run began
    with pytest.raises(KeyboardInterrupt):
        send_due_notifications(at=NOW)
    assert Counter(Notification.objects.values_list("stage", flat=True)) == {
        "sent": 8,
        "sending": 1,
        "waiting": 3,
    }
    slow.dies_at = None
    assert send_due_notifications(at=datetime.now(UTC)) == 3
    clock.shift(LEASE_DURATION)
    assert send_due_notifications(at=datetime.now(UTC)) == 1
    assert set(message_ids().values()) == {1}
    assert len(message_ids()) == 12


def test_the_mail_server_has_less_time_than_the_lease(settings: Settings) -> None:
    # A mail takes about ten answers of the server, the connection among them.
    assert timedelta(seconds=10 * settings.EMAIL_TIMEOUT) < LEASE_DURATION


def test_a_server_that_is_away_uses_up_no_tries_and_says_why(settings: Settings, post: MailServer) -> None:
    agreed(1)
    settings.EMAIL_PORT = 1
    write_due_notifications(at=NOW)
    for _ in range(15):
        assert send_due_notifications(at=NOW) == 0
    notification = Notification.objects.get()
    assert (notification.stage, notification.tries) == ("waiting", 0)
    assert "the mail server can’t be reached" in notification.why
    settings.EMAIL_PORT = post.port
    assert send_due_notifications(at=NOW) == 1
    assert Notification.objects.get().why == ""


def test_a_connection_that_breaks_off_costs_one_notification_its_turn(
    post: MailServer, clock: time_machine.Traveler
) -> None:
    for number in range(4):
        agreed(number)
    post.answers = ["250 OK", "421 4.3.2 closing down"]
    write_due_notifications(at=NOW)
    assert send_due_notifications(at=NOW) == 3
    clock.shift(timedelta(minutes=2))
    assert send_due_notifications(at=datetime.now(UTC)) == 1
    assert len(set(post.message_ids)) == len(post.mails) == 4


@pytest.mark.parametrize(
    "email", ["info@müller.example", "info@xn--mller-kva.example", "büro@customer.example"]
)
def test_one_notification_that_cannot_go_out_keeps_none_of_the_others_back(
    post: MailServer, email: str
) -> None:
    agreed(1)
    agreed(2, email)
    agreed(3)
    agreed(4, "no address at all")
    write_due_notifications(at=NOW)
    send_due_notifications(at=NOW)
    gone = {notification.to: notification.stage for notification in Notification.objects.all()}
    assert sorted(gone.values()) == (
        ["failed", "failed", "sent", "sent"]
        if "ü" in email.partition("@")[0]
        else ["failed", "sent", "sent", "sent"]
    )
    assert "the mail address is none" in Notification.objects.filter(stage="failed").first().why  # type: ignore[union-attr]


def test_an_international_domain_gets_its_notification_with_the_calendar_entry(
    post: MailServer, settings: Settings
) -> None:
    settings.MAIL_FROM_ADDRESS = "Porch Desk <desk@sällskap.example>"
    agreed(1, "info@müller.example")
    write_due_notifications(at=NOW)
    assert send_due_notifications(at=NOW) == 1
    [message] = post.mails
    assert message["To"] == "info@xn--mller-kva.example"
    assert message["From"] == "Porch Desk <desk@xn--sllskap-5wa.example>"
    part = next(part for part in message.walk() if part.get_content_type() == "text/calendar")
    [event] = icalendar.Calendar.from_ical(part.get_content()).walk("VEVENT")
    assert event["attendee"] == "mailto:info@xn--mller-kva.example"
    assert event["organizer"] == "mailto:desk@xn--sllskap-5wa.example"
    assert event["organizer"].params["CN"] == "Porch Desk"
    assert Notification.objects.get().sent_to == "info@müller.example"


@pytest.mark.parametrize(
    "bad", ["Porch Desk", "desk", "desk@", "Porch Desk, Inc <desk@x", "désk@company.example"]
)
def test_a_bad_sender_is_told_at_the_start_and_fails_no_notification(
    post: MailServer, settings: Settings, bad: str
) -> None:
    settings.MAIL_FROM_ADDRESS = bad
    with pytest.raises((CommandError, SystemExit), match="MAIL_FROM_ADDRESS"):
        call_command("check")
    agreed(1)
    write_due_notifications(at=NOW)
    assert send_due_notifications(at=NOW) == 0
    notification = Notification.objects.get()
    assert (notification.stage, notification.tries) == ("waiting", 0)
    assert "MAIL_FROM_ADDRESS" in notification.why
    settings.MAIL_FROM_ADDRESS = "Porch Desk <desk@company.example>"
    call_command("check")
    assert send_due_notifications(at=NOW) == 1
    assert post.mails[0]["From"] == "Porch Desk <desk@company.example>"


def test_a_bad_address_for_error_reports_is_told_at_the_start(settings: Settings) -> None:
    settings.ERROR_REPORT_TO = "the keeper"
    with pytest.raises((CommandError, SystemExit), match="ERROR_REPORT_TO"):
        call_command("check")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("info@müller.example", ""),
        ("info@xn--mller-kva.example", ""),
        ("büro@customer.example", "The part before the @ has a letter that many mail servers refuse"),
        ("info@", "is no mail address: write it like name@example.org"),
        (f"info@{'ü' * 80}.example", "is no mail address: write it like name@example.org"),
    ],
)
def test_the_form_says_what_is_wrong_with_an_address(as_scheduler: Client, typed: str, said: str) -> None:
    customer = CustomerFactory(email="")
    answer = as_scheduler.post(f"/customers/{customer.pk}/change/", {"name": "Testa Owner", "email": typed})
    stored = Customer.objects.get(pk=customer.pk).email
    if said:
        assert said in told(answer.content)
        assert typed in told(answer.content)
        assert stored == ""
    else:
        assert stored == "info@müller.example"


def test_people_with_an_international_domain_are_invited(post: MailServer, as_owner: Client) -> None:
    new = {"name": "Nova Fitter", "username": "nova", "role": "technician", "idempotency_key": str(uuid4())}
    refused = as_owner.post("/people/add/", {**new, "email": "büro@customer.example"})
    assert "many mail servers refuse" in told(refused.content)
    assert not User.objects.filter(username="nova").exists()
    as_owner.post("/people/add/", {**new, "email": "nova@müller.example"})
    write_due_notifications(at=NOW)
    assert send_due_notifications(at=NOW) == 1
    assert post.mails[0]["To"] == "nova@xn--mller-kva.example"
