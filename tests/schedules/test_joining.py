"""Somebody new is asked by a real mail to choose a password, and nobody else can use what it holds."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.conf import settings as django_settings
from django.test import Client
from django.utils import timezone
from pytest_django import Settings

from schedules.calendars.access_logs import SECRET
from schedules.models import Notification
from schedules.notifications.deliver import send_due_notifications
from schedules.notifications.queue import write_due_notifications
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.operations import change_person, set_password
from servicedesk.core.models import Change
from tests.schedules.mail_server import MailServer

pytestmark = pytest.mark.django_db

PASSWORD = "a-long-made-up-word"
LINK = re.compile(r"/welcome/\d+/\S+/")


def tick() -> int:
    """Do what the clock does each minute."""
    at = timezone.now()
    write_due_notifications(at=at)
    return send_due_notifications(at=at)


def send_form(as_owner: Client, **entries: str) -> Any:
    """Send the form for somebody new, without a password."""
    data = {"name": "Orla Quill", "username": "orla", "role": "technician", "password": ""}
    return as_owner.post("/people/add/", {"idempotency_key": str(uuid4()), **data, **entries})


def ask_for(as_owner: Client, **entries: str) -> User:
    """Add somebody on the page, without a password."""
    answer = send_form(as_owner, email="orla@company.example", **entries)
    assert answer.status_code == 302
    return User.objects.get(username="orla")


def link_in(post: MailServer, number: int = -1) -> str:
    """Read the link out of a mail."""
    body = post.mails[number].get_body(("plain",))
    assert body is not None
    match = LINK.search(body.get_content())
    assert match is not None
    return match[0]


def test_a_link_by_mail_lets_somebody_choose_a_password_once(post: MailServer, as_owner: Client) -> None:
    orla = ask_for(as_owner)
    assert not orla.has_usable_password()
    assert tick() == 1
    assert tick() == 0
    assert post.mails[0]["To"] == "orla@company.example"
    link, browser = link_in(post), Client()
    assert "you will sign in as <strong>orla</strong>" in browser.get(link).content.decode()
    assert browser.post(link, {"password": "short"}).status_code == 422
    assert browser.post(link, {"password": PASSWORD})["Location"] == "/sign-in/"
    assert browser.post("/sign-in/", {"username": "orla", "password": PASSWORD}).status_code == 302
    assert Client().get(link).status_code == 404
    assert Client().post(link, {"password": "another-made-up-word"}).status_code == 404
    orla.refresh_from_db()
    assert orla.role == Role.TECHNICIAN
    assert orla.check_password(PASSWORD)
    actions = Change.objects.about(orla).order_by("pk").values_list("action", flat=True)
    assert list(actions) == [
        "added as technician",
        "asked by e-mail to choose a password",
        "chose a password",
    ]


def test_the_desk_keeps_no_link_that_lets_anybody_in(
    post: MailServer, as_owner: Client, as_scheduler: Client
) -> None:
    ask_for(as_owner)
    tick()
    notification = Notification.objects.get(kind="join")
    assert "(a link that only the mail holds)" in notification.body
    assert "/welcome/" not in notification.body + str(notification.payload)
    page = as_scheduler.get(f"/letters/{notification.pk}/").content.decode()
    assert "/welcome/" not in page
    assert SECRET.sub(r"\1(secret)", f"GET {link_in(post)} 200").count("(secret)") == 1


def test_a_link_ends_after_three_days(post: MailServer, as_owner: Client) -> None:
    ask_for(as_owner)
    tick()
    now = timezone.now()
    with time_machine.travel(now + timedelta(days=2, hours=18)):
        assert Client().get(link_in(post)).status_code == 200
    with time_machine.travel(now + timedelta(days=3, hours=6)):
        answer = Client().get(link_in(post))
        assert answer.status_code == 404
        assert "opens for three days" in answer.content.decode()


def test_asked_again_both_links_open_until_a_password_is_chosen(post: MailServer, as_owner: Client) -> None:
    orla = ask_for(as_owner)
    tick()
    assert as_owner.post(f"/people/{orla.pk}/invite/").status_code == 302  # sent twice
    assert tick() == 0
    User.objects.filter(pk=orla.pk).update(invited_at=timezone.now() - timedelta(hours=1))
    assert as_owner.post(f"/people/{orla.pk}/invite/").status_code == 302
    assert tick() == 1
    first, second = link_in(post, 0), link_in(post, 1)
    assert Client().post(second, {"password": PASSWORD}).status_code == 302
    assert Client().get(first).status_code == 404


def test_a_link_of_one_opens_nothing_of_another(post: MailServer, as_owner: Client, technician: User) -> None:
    ask_for(as_owner)
    tick()
    token = link_in(post).split("/")[3]
    assert Client().get(f"/welcome/{technician.pk}/{token}/").status_code == 404
    assert Client().get("/welcome/999999/x/").status_code == 404


def test_who_left_or_got_a_password_meanwhile_is_not_asked(
    post: MailServer, as_owner: Client, owner: User
) -> None:
    orla = ask_for(as_owner)
    write_due_notifications(at=timezone.now())
    set_password(orla, password=PASSWORD, by=owner, at=timezone.now())
    assert tick() == 0
    assert Notification.objects.get(kind="join").stage == Notification.Stage.NEEDLESS
    as_owner.post(f"/people/{orla.pk}/invite/")
    tick()
    orla.refresh_from_db()
    changes = {
        "name": orla.name,
        "phone": "",
        "email": orla.email,
        "role": Role.TECHNICIAN,
        "is_active": False,
    }
    change_person(orla, **changes, by=owner, at=timezone.now())
    assert Client().get(link_in(post)).status_code == 404
    page = as_owner.post(f"/people/{orla.pk}/invite/", follow=True).content.decode()
    assert "is not active: make the account active first" in page


def test_without_an_address_or_a_mail_server_the_form_says_what_to_do(as_owner: Client) -> None:
    page = send_form(as_owner, email="")
    assert "Enter an e-mail address for the link" in page.content.decode()
    assert not django_settings.EMAIL_BACKEND.endswith("smtp.EmailBackend")


def test_a_desk_without_a_mail_server_asks_for_a_password(as_owner: Client, settings: Settings) -> None:
    settings.EMAIL_BACKEND = ""
    page = send_form(as_owner, email="orla@company.example")
    assert "No mail server is set up to send the link" in page.content.decode()
    assert not User.objects.filter(username="orla").exists()
