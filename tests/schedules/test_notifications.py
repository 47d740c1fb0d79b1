"""Letters: written once, sent once, by a real mail server."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import icalendar
import pytest
import time_machine
from django.conf import settings as django_settings
from django.test import Client
from pytest_django import Settings

from schedules import operations
from schedules.models import EmailPreference, Notification, NotificationText, Visit
from schedules.notifications.deliver import send_due_notifications
from schedules.notifications.links import (
    VisitKey,
    opt_out_token,
    read_opt_out_token,
    read_visit_token,
    visit_token,
)
from schedules.notifications.queue import write_due_notifications
from schedules.notifications.texts import USUAL, check_blanks, fill
from servicedesk.accounts.models import Role, User
from tests.factories import CustomerFactory, NextDueFactory, OwnershipFactory, UserFactory, VisitFactory
from tests.schedules.mail_server import MailServer
from tests.schedules.planned_visits import told
from tests.schedules.weeks_of_work import site_at, technician, work_at

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)  # a Friday, 8 in the morning in New York
START = datetime(2026, 5, 8, 13, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _friday() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def owned(email: str = "testa@customer.example", **fields: Any) -> Visit:
    """Give a confirmed visit to a site with an owner."""
    site = site_at(1)
    OwnershipFactory(site=site, customer=CustomerFactory(email=email, name="Testa Owner", phone="555-0100"))
    visit: Visit = VisitFactory(site=site, starts_at=START, state="confirmed", **fields)
    visit.technicians.add(technician(name="Testa Fitter"))
    return visit


def tick(at: datetime = NOW) -> int:
    """Do what the clock does each minute."""
    with time_machine.travel(at, tick=False):
        write_due_notifications(at=at)
        return send_due_notifications(at=at)


def kinds(post: MailServer) -> list[str]:
    """List the titles of what came in."""
    return [str(mail["Subject"]) for mail in post.mails]


def test_an_agreed_visit_is_told_once_with_its_calendar_entry(post: MailServer) -> None:
    visit = owned()
    assert tick() == 1
    assert tick() == 0
    [mail] = post.mails
    assert mail["To"] == "testa@customer.example"
    assert mail["Subject"] == "Our visit on Friday, May 8, 2026"
    assert "Testa Fitter will be there" in mail.get_body(("plain",)).get_content()  # type: ignore[union-attr]
    part = next(part for part in mail.walk() if part.get_content_type() == "text/calendar")
    assert part.get_param("method") == "REQUEST"
    calendar = icalendar.Calendar.from_ical(part.get_content())
    assert calendar["method"] == "REQUEST"
    [event] = calendar.walk("VEVENT")
    assert event["uid"].startswith(str(visit.uid))
    assert event["organizer"] == "mailto:desk@company.example"
    assert event["attendee"] == "mailto:testa@customer.example"
    assert "555-0100" not in part.get_content()


def test_one_click_ends_it_all(post: MailServer, client: Client) -> None:
    # RFC 8058 section 3.1: both headers, an https address (here what SITE_URL says), a POST with this body.
    visit = owned()
    tick()
    [mail] = post.mails
    assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert b"=?utf-8" not in post.raw[0].split(b"\r\n\r\n")[0]
    address = str(mail["List-Unsubscribe"]).strip()[1:-1].removeprefix(django_settings.SITE_URL)
    browser = Client(enforce_csrf_checks=True)
    assert browser.post(address, {"List-Unsubscribe": "One-Click"}).status_code == 200
    assert EmailPreference.objects.get().what == "nothing"
    operations.cancel_visit(visit, why="storm", by=None, at=NOW)
    assert tick() == 0
    notification = Notification.objects.get(kind="called_off")
    assert (notification.stage, notification.why) == ("withheld", "the customer wants no mail: telephone")


def test_a_change_sends_an_update_and_a_cancellation_follows(post: MailServer) -> None:
    visit = owned()
    tick()
    operations.change_visit(
        visit,
        starts_at=START + timedelta(hours=2),
        technicians=list(visit.technicians.all()),
        tasks=[],
        note="x",
        by=None,
        at=NOW,
    )
    tick()
    operations.cancel_visit(visit, why="storm", by=None, at=NOW)
    tick()
    tick()
    calendars = [
        icalendar.Calendar.from_ical(part.get_content())
        for mail in post.mails
        for part in mail.walk()
        if part.get_content_type() == "text/calendar"
    ]
    assert [str(each["method"]) for each in calendars] == ["REQUEST", "REQUEST", "CANCEL"]
    events = [each.walk("VEVENT")[0] for each in calendars]
    assert len({event["uid"] for event in events}) == 1
    assert [event["sequence"] for event in events] == sorted({event["sequence"] for event in events})


def test_a_reminder_comes_days_before_and_after_downtime_too(post: MailServer) -> None:
    owned()
    tick()
    for days in (4, 5, 6):
        tick(NOW + timedelta(days=days))
    assert kinds(post).count("We are coming on Friday, May 8, 2026") == 1
    late = owned("late@customer.example")
    begins = NOW + timedelta(days=10)
    Visit.objects.filter(pk=late.pk).update(starts_at=begins, ends_at=begins + timedelta(hours=1))
    # The clock stands still for three days over the day of the reminder.
    tick(NOW + timedelta(days=7))
    tick(NOW + timedelta(days=9, hours=22))
    told_late = [mail for mail in post.mails if mail["To"] == "late@customer.example"]
    assert sum("We are coming" in str(mail["Subject"]) for mail in told_late) == 1


def test_what_comes_too_late_is_missed_and_shown(post: MailServer) -> None:
    owned()
    write_due_notifications(at=NOW)
    tick(START + timedelta(hours=1))
    assert not post.mails
    assert set(Notification.objects.values_list("stage", flat=True)) == {"missed"}


def test_a_server_that_is_down_or_refuses_is_tried_again_later_and_later(post: MailServer) -> None:
    owned()
    post.answers = ["451 4.3.0 try later", "451 4.3.0 try later"]
    assert tick() == 0
    notification = Notification.objects.get()
    assert (notification.stage, notification.tries, notification.next_try_at) == (
        "waiting",
        1,
        NOW + timedelta(minutes=1),
    )
    assert "try later" in notification.why
    assert tick(NOW + timedelta(seconds=30)) == 0
    assert tick(NOW + timedelta(minutes=1)) == 0
    notification.refresh_from_db()
    assert notification.next_try_at == NOW + timedelta(minutes=3)
    assert tick(NOW + timedelta(minutes=3)) == 1
    assert len(post.mails) == 1


def test_without_a_server_at_the_address_notifications_wait(post: MailServer, settings: Settings) -> None:
    owned()
    settings.EMAIL_PORT = 1
    assert tick() == 0
    assert Notification.objects.get().stage == "waiting"
    settings.EMAIL_PORT = post.port
    assert tick(NOW + timedelta(minutes=2)) == 1


def test_without_a_mail_server_named_nothing_is_tried(settings: Settings) -> None:
    owned()
    settings.EMAIL_BACKEND = ""
    assert tick() == 0
    assert Notification.objects.get().tries == 0


def test_an_address_that_is_refused_for_good_fails_and_is_tried_again_by_hand(
    post: MailServer, as_scheduler: Client
) -> None:
    visit = owned()
    post.refused_addresses = {"testa@customer.example"}
    tick()
    notification = Notification.objects.get()
    assert (notification.stage, notification.why) == ("failed", "550 5.1.1 no such mailbox")
    page = told(as_scheduler.get("/letters/?stage=failed").content)
    assert "Could not be sent: 550 5.1.1 no such mailbox" in page
    post.refused_addresses = set()
    answer = as_scheduler.post(f"/letters/{notification.pk}/again/", follow=True)
    assert "It is queued again" in told(answer.content)
    assert tick() == 1
    again = as_scheduler.post(f"/letters/{notification.pk}/again/", follow=True)
    assert "nothing to try again" in told(again.content)
    assert f"/visits/{visit.pk}/" in as_scheduler.get(f"/letters/{notification.pk}/").content.decode()


def test_who_has_no_address_is_telephoned(post: MailServer, as_scheduler: Client) -> None:
    owned(email="")
    tick()
    assert not post.mails
    page = told(as_scheduler.get("/letters/?stage=withheld").content)
    assert "no mail address: telephone" in page
    assert 'href="tel:5550100"' in page


def test_a_sender_that_died_is_taken_over_with_the_same_message_id(post: MailServer) -> None:
    owned()
    tick()
    # It died after the server took the mail and before it was marked.
    Notification.objects.update(stage="sending", lease_until=NOW + timedelta(minutes=5), sent_at=None)
    assert tick(NOW + timedelta(minutes=1)) == 0
    assert tick(NOW + timedelta(minutes=6)) == 1
    assert len(post.mails) == 2
    assert len(set(post.message_ids)) == 1


def test_customers_who_do_the_care_are_told_once_a_month(post: MailServer) -> None:
    site = site_at(1, care_by="customer")
    OwnershipFactory(site=site, customer=CustomerFactory(email="testa@customer.example"))
    due = NextDueFactory(installed_part__unit__site=site, next_due_on=date(2026, 4, 28))
    old = NextDueFactory(installed_part__unit__site=site, next_due_on=date(2025, 4, 28))
    tick()
    tick(NOW + timedelta(days=3))
    assert kinds(post) == ["Your porch windows are due for care"]
    text = post.mails[0].get_body(("plain",)).get_content()  # type: ignore[union-attr]
    assert due.rule.name in text
    assert old.rule.name not in text
    operations.set_email_preference(site.ownerships.get().customer, "visits", by=None, at=NOW)
    NextDueFactory(installed_part__unit__site=site, next_due_on=date(2026, 5, 20))
    tick(NOW + timedelta(days=32))
    assert Notification.objects.get(due_on=date(2026, 6, 1)).stage == "withheld"


def test_the_desk_and_the_technicians_get_their_day(post: MailServer, scheduler: User) -> None:
    User.objects.filter(pk=scheduler.pk).update(email="sched@company.example")
    visit = owned(email="")
    User.objects.filter(pk=visit.technicians.get().pk).update(email="fitter@company.example")
    work_at(site_at(3), due_on=date(2026, 4, 1))
    before_six = datetime(2026, 5, 8, 9, 30, tzinfo=UTC)
    tick(before_six)
    assert not post.mails
    tick(before_six + timedelta(hours=1))
    tick(before_six + timedelta(hours=2))
    mails = {str(mail["To"]): mail for mail in post.mails}
    assert set(mails) == {"sched@company.example", "fitter@company.example"}
    assert "1 task due and on no visit yet" in mails["sched@company.example"].get_body().get_content()  # type: ignore[union-attr]
    assert "9:00 AM" in mails["fitter@company.example"].get_body().get_content()  # type: ignore[union-attr]
    assert "List-Unsubscribe" not in mails["sched@company.example"]


def test_an_owner_changes_the_words_and_sees_them_filled_in(as_owner: Client, post: MailServer) -> None:
    words = {"title": "See you on $day", "body": "Hello $customer,\n$link"}
    look = told(as_owner.post("/letters/words/agreed/", {**words, "look": "yes"}).content)
    assert "See you on Tuesday, May 5, 2026" in look
    assert not NotificationText.objects.exists()
    wrong = as_owner.post("/letters/words/agreed/", {**words, "body": "Dear $name", "store": "yes"})
    assert "“$name” can’t be filled in" in told(wrong.content)
    stored = as_owner.post("/letters/words/agreed/", {**words, "store": "yes"}, follow=True)
    assert "our own" in told(stored.content)
    owned()
    tick()
    assert kinds(post) == ["See you on Friday, May 8, 2026"]
    usual = {"title": USUAL["agreed"].title, "body": USUAL["agreed"].body, "store": "yes"}
    as_owner.post("/letters/words/agreed/", usual)
    assert not NotificationText.objects.exists()
    assert as_owner.get("/letters/words/nothing/").status_code == 404


def test_a_line_break_begins_no_header(post: MailServer) -> None:
    owned()
    NotificationText.objects.create(kind="agreed", title="On $day\r\nBcc: x@y.example", body="x")
    tick()
    assert post.mails[0]["Bcc"] is None
    assert post.mails[0]["Subject"] == "On Friday, May 8, 2026 Bcc: x@y.example"


@pytest.mark.parametrize("kind", sorted(USUAL))
def test_the_usual_words_have_no_blank_that_stays_empty(kind: str) -> None:
    words = USUAL[kind]
    for text in (words.title, words.body):
        check_blanks(kind, text)
        assert "$" not in fill(text, words.blanks)
    check_blanks(kind, "costs $$5")
    for wrong in ("$nobody", "$", "$5"):
        with pytest.raises(ValueError, match="can’t be filled in"):
            check_blanks(kind, wrong)


def test_links_are_ours_or_nobodys() -> None:
    assert read_visit_token(visit_token(VisitKey(3, 4))) == VisitKey(3, 4)
    assert read_visit_token(visit_token(VisitKey(3, 4))[:-1]) is None
    assert read_visit_token("") is None
    token = visit_token(VisitKey(3, 4))
    with time_machine.travel(NOW + timedelta(days=61), tick=False):
        assert read_visit_token(token) is None
    assert read_opt_out_token(opt_out_token(7)) == 7
    assert read_opt_out_token("7~x") is None


def test_email_preference_are_said_on_a_page_without_sign_in(client: Client) -> None:
    customer = CustomerFactory()
    address = f"/your-mail/{opt_out_token(customer.pk)}/"
    assert (
        client.get(address)["Referrer-Policy"] == "same-origin"
    )  # "no-referrer" makes browsers post Origin: null
    client.post(address, {"what": "visits"})
    assert EmailPreference.objects.get(customer=customer).what == "visits"
    assert "Select a valid choice" in told(client.post(address, {"what": "gold"}).content)
    assert client.get("/your-mail/nonsense/").status_code == 404


def test_two_senders_send_nothing_twice(post: MailServer) -> None:
    for number in range(45):
        owned(email=f"c{number}@customer.example")
    write_due_notifications(at=NOW)
    write_due_notifications(at=NOW)
    assert Notification.objects.count() == 45
    assert send_due_notifications(at=NOW) + send_due_notifications(at=NOW) == 45
    assert len(set(post.message_ids)) == len(post.mails) == 45


def test_people_who_left_get_nothing(post: MailServer) -> None:
    person = UserFactory(email="gone@company.example", is_active=False)
    assert person.role is None or person.role != Role.SCHEDULER
    tick()
    assert not post.mails
