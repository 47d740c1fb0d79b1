"""Asking customers by mail whether proposed visits suit: the list, the words, and exactly the ticked."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.test import Client
from pytest_django import DjangoAssertNumQueries, Settings

from schedules import operations
from schedules.models import EmailPreference, Notification, Visit
from schedules.notifications.deliver import send_due_notifications
from schedules.notifications.questions import VisitAsItWas
from servicedesk.core.models import Change
from tests.factories import CustomerFactory, OwnershipFactory, VisitFactory
from tests.schedules.planned_visits import told
from tests.schedules.test_two_writers import at_once
from tests.schedules.weeks_of_work import site_at, technician
from units.models import Customer

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
START = datetime(2026, 5, 5, 13, 0, tzinfo=UTC)
WEEK = "/letters/ask/?week=2026-05-06"


@pytest.fixture(autouse=True)
def _friday() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def proposed(number: int, **customer: Any) -> Visit:
    """Give a proposed visit to a site with an owner."""
    site = site_at(number, address=f"{number} Example Lane")
    details = {"name": f"Testa {number}", "email": f"c{number}@customer.example", "phone": "555-0100"}
    OwnershipFactory(site=site, customer=CustomerFactory(**{**details, **customer}))
    visit: Visit = VisitFactory(site=site, starts_at=START + timedelta(hours=number))
    visit.technicians.add(technician())
    return visit


def as_listed(visit: Visit) -> VisitAsItWas:
    """Give a visit as the list shows it now."""
    visit.refresh_from_db()
    return VisitAsItWas(visit.pk, visit.sequence, visit.site.ownerships.get().customer_id)


def tokens(*visits: Visit) -> dict[str, list[str]]:
    """Tick visits as the list shows them now."""
    return {"visits": [as_listed(visit).token for visit in visits]}


def asked_about() -> set[int]:
    """List the visits about which there is a letter."""
    return set(Notification.objects.filter(kind="asking").values_list("subject_id", flat=True))


def test_the_list_shows_who_is_asked_in_which_words_and_sends_nothing(as_scheduler: Client) -> None:
    visit = proposed(1)
    answer = as_scheduler.get(WEEK)
    page = told(answer.content)
    assert "1 Example Lane" in page
    assert "Testa 1, c1@<wbr>customer.example" in page
    assert "May we come on Tuesday, May 5, 2026?" in page
    assert "Dear Testa 1" in page
    assert f'value="{as_listed(visit).token}" checked' in answer.content.decode()
    assert not Notification.objects.exists()


def test_who_gets_no_mail_is_listed_with_the_reason_and_cannot_be_ticked(as_scheduler: Client) -> None:
    proposed(1, email="")
    quiet = proposed(2)
    EmailPreference.objects.create(customer=quiet.site.ownerships.get().customer, what="nothing", said_at=NOW)
    proposed(3, email="no address")
    VisitFactory(site=site_at(4, address="4 Example Lane"), starts_at=START + timedelta(hours=4))
    answer = as_scheduler.get(WEEK)
    page = told(answer.content)
    assert "Testa 1: no mail address: telephone" in page
    assert "Testa 2: the customer wants no mail: telephone" in page
    assert "“no address” is no mail address" in page
    assert "nobody is recorded as the owner" in page
    assert b'type="checkbox"' not in answer.content
    as_scheduler.post(WEEK, tokens(quiet))
    assert not Notification.objects.exists()


def test_exactly_the_ticked_are_asked(as_scheduler: Client, settings: Settings) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    visits = [proposed(number) for number in range(4)]
    answer = as_scheduler.post(WEEK, tokens(visits[0], visits[2]), follow=True)
    assert "2 e-mails queued." in told(answer.content)
    send_due_notifications(at=NOW)
    assert sorted(message.to[0] for message in mail.outbox) == ["c0@customer.example", "c2@customer.example"]
    assert asked_about() == {visits[0].pk, visits[2].pk}
    page = told(as_scheduler.get(WEEK).content)
    assert "Testa 0: asked already" in page


def test_nothing_ticked_is_told_and_sends_nothing(as_scheduler: Client) -> None:
    proposed(1)
    answer = as_scheduler.post(WEEK, {})
    assert answer.status_code == 422
    assert "Check at least one customer" in told(answer.content)
    assert "checked" not in answer.content.decode()
    assert not Notification.objects.exists()


@pytest.mark.parametrize("junk", ["x", "1.2", "1.2.3.4", "999.0.1", "-1.0.1", "1" * 40 + ".0.1", "0.0.0"])
def test_what_no_page_of_ours_wrote_asks_nobody(as_scheduler: Client, junk: str) -> None:
    proposed(1)
    assert as_scheduler.post(WEEK, {"visits": [junk]}).status_code in {302, 422}
    assert not Notification.objects.exists()


def _moves(visit: Visit) -> None:
    operations.change_visit(
        visit,
        starts_at=visit.starts_at + timedelta(hours=3),
        technicians=list(visit.technicians.all()),
        tasks=[],
        note="x",
        by=None,
        at=NOW,
    )


def _is_confirmed(visit: Visit) -> None:
    operations.confirm_visit(visit, by=None, at=NOW)


def _is_cancelled(visit: Visit) -> None:
    operations.cancel_visit(visit, why="storm", by=None, at=NOW)


def _is_sold(visit: Visit) -> None:
    visit.site.ownerships.update(customer=CustomerFactory(email="new@customer.example"))


@pytest.mark.parametrize("changes", [_moves, _is_confirmed, _is_cancelled, _is_sold])
def test_a_visit_that_changed_between_list_and_sending_is_left_out_and_named(
    as_scheduler: Client, changes: Any
) -> None:
    first, second = proposed(1), proposed(2)
    ticked = tokens(first, second)
    changes(first)
    answer = as_scheduler.post(WEEK, ticked, follow=True)
    page = told(answer.content)
    assert "1 e-mail queued." in page
    assert "Not asked: 1 Example Lane: it changed meanwhile." in page
    assert asked_about() == {second.pk}


def test_a_second_click_asks_nobody_again_and_says_so(as_scheduler: Client) -> None:
    visit = proposed(1)
    ticked = tokens(visit)
    as_scheduler.post(WEEK, ticked)
    page = told(as_scheduler.post(WEEK, ticked, follow=True).content)
    assert "0 e-mails queued." in page
    assert "Not asked: 1 Example Lane: asked already." in page
    assert Notification.objects.count() == 1


def test_the_list_asks_the_database_no_more_for_more_visits(
    as_scheduler: Client, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for number in range(12):
        proposed(number)
    with django_assert_max_num_queries(20):
        as_scheduler.get(WEEK)


@pytest.mark.django_db(transaction=True)
def test_two_schedulers_who_send_at_once_write_each_notification_once() -> None:
    wanted = [as_listed(proposed(number)) for number in range(12)]
    answers = at_once(*[lambda: operations.ask_customers(wanted, by=None, at=NOW)] * 3)
    assert sum(answer.written for answer in answers) == 12  # type: ignore[attr-defined]
    assert Notification.objects.count() == 12
    changes = Change.objects.filter(action="customer asked by mail whether it suits")
    assert changes.count() == 12
    assert Customer.objects.count() == 12
