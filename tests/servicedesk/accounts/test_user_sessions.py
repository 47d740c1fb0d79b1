"""Where people are signed in: shown to them and to owners, and ended by either."""

from __future__ import annotations

import errno
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.conf import settings
from django.db import OperationalError
from django.test import Client
from django.utils import timezone

from servicedesk.accounts.models import User, UserSession
from servicedesk.accounts.models.user_sessions import device_of
from servicedesk.core.models import Change
from units.models import Customer

pytestmark = pytest.mark.django_db

PASSWORD = "a-long-made-up-word"
# The header has the shape of RFC 9110, 10.1.5; its words are made up, but for "Mobile" (from memory).
PHONE = "Example/5.0 (Linux; Handset) Engine/1.0 Mobile Example/99.0"
DESK = "Example/5.0 (Desk; x64) Engine/1.0 Example/99.0"


def sign_in(user: User, agent: str) -> Client:
    """Sign somebody in with a browser of its own."""
    user.set_password(PASSWORD)
    if not user.has_usable_password() or not User.objects.get(pk=user.pk).check_password(PASSWORD):
        user.save()
    client = Client(headers={"user-agent": agent})
    answer = client.post("/sign-in/", {"username": user.username, "password": PASSWORD})
    assert answer.status_code == 302
    return client


@pytest.mark.parametrize(
    ("agent", "device"),
    [(PHONE, "phone"), (DESK, "computer"), ("Example (Tablet) Mobile", "tablet"), ("", "program")],
)
def test_a_device_is_told_by_what_its_browser_says(agent: str, device: str) -> None:
    assert device_of(agent) == device


def test_everybody_sees_where_they_are_signed_in_and_which_is_this_one(technician: User) -> None:
    installation, phone = sign_in(technician, DESK), sign_in(technician, PHONE)
    page = phone.get("/me/").content.decode()
    assert "Phone (this one)" in page
    assert "Computer" in page
    assert {str(browser) for browser in UserSession.objects.of(technician)} == {"phone", "computer"}
    for key in UserSession.objects.values_list("session_key", flat=True):
        assert key not in page
    assert installation.get("/me/").status_code == 200


def test_one_browser_is_ended_from_another_and_the_history_says_so(technician: User) -> None:
    installation, phone = sign_in(technician, DESK), sign_in(technician, PHONE)
    lost = UserSession.objects.of(technician).get(device="phone")
    assert installation.post(f"/me/browsers/{lost.mark}/end/").status_code == 302
    assert phone.get("/me/")["Location"].startswith("/sign-in/")
    assert installation.get("/me/").status_code == 200
    assert Change.objects.about(technician).order_by("-pk")[0].action == "signed out of a phone"


def test_all_others_are_ended_at_once(technician: User) -> None:
    others = [sign_in(technician, PHONE) for _ in range(3)]
    here = sign_in(technician, DESK)
    here.post("/me/browsers/end-others/")
    assert here.get("/me/").status_code == 200
    assert {other.get("/me/").status_code for other in others} == {302}


def test_nobody_ends_a_browser_of_somebody_else(technician: User, as_owner: Client) -> None:
    phone = sign_in(technician, PHONE)
    mark = UserSession.objects.of(technician).get().mark
    assert as_owner.post(f"/me/browsers/{mark}/end/").status_code == 404
    assert phone.get("/me/").status_code == 200


def test_an_owner_signs_somebody_out_everywhere(technician: User, as_owner: Client) -> None:
    phone = sign_in(technician, PHONE)
    assert "Phone" in as_owner.get(f"/people/{technician.pk}/").content.decode()
    assert as_owner.post(f"/people/{technician.pk}/sign-out/").status_code == 302
    assert phone.get("/me/").status_code == 302
    assert "Not signed in on any device" in as_owner.get(f"/people/{technician.pk}/").content.decode()


def test_who_leaves_is_signed_out_at_once_and_the_records_stay(technician: User, as_owner: Client) -> None:
    phone = sign_in(technician, PHONE)
    data = {"name": technician.name, "phone": "", "email": "", "role": "technician"}
    assert as_owner.post(f"/people/{technician.pk}/", data).status_code == 302
    assert phone.get("/me/").status_code == 302
    assert not UserSession.objects.of(technician).exists()
    assert User.objects.filter(pk=technician.pk, is_active=False).exists()


def test_a_new_password_ends_what_was_signed_in_with_the_old_one(technician: User, as_owner: Client) -> None:
    phone = sign_in(technician, PHONE)
    as_owner.post(f"/people/{technician.pk}/password/", {"password": "another-made-up-word"})
    assert phone.get("/me/").status_code == 302


def long_unseen(phone: Client) -> None:
    """Set the time a session was last seen to eleven minutes ago."""
    session = phone.session
    session["seen_at"] = (timezone.now() - timedelta(minutes=11)).isoformat()
    session.save()


def test_using_a_browser_moves_its_time_now_and_then_only(technician: User) -> None:
    phone = sign_in(technician, PHONE)
    first = UserSession.objects.get().seen_at
    assert settings.SESSION_COOKIE_NAME not in phone.get("/me/").cookies
    assert UserSession.objects.get().seen_at == first
    long_unseen(phone)
    answer = phone.get("/me/")
    seen = UserSession.objects.get().seen_at
    assert seen is not None
    assert timezone.now() - seen < timedelta(minutes=1)
    # Who goes on using a browser stays signed in: the cookie gets its whole time again.
    assert answer.cookies[settings.SESSION_COOKIE_NAME]["max-age"] == settings.SESSION_COOKIE_AGE


def test_what_was_done_is_not_called_failed_because_the_disk_is_full_for_a_note(
    as_scheduler: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    long_unseen(as_scheduler)

    def full(self: UserSession, **how: Any) -> None:
        raise OperationalError("no room") from OSError(errno.ENOSPC, "no space left on device")

    monkeypatch.setattr(UserSession, "save", full)
    data = {"idempotency_key": uuid4(), "name": "Probeson"}
    assert as_scheduler.post("/customers/add/", data).status_code == 302
    assert Customer.objects.filter(name="Probeson").exists()


def test_a_session_of_nobody_is_nobodys(client: Client) -> None:
    session = client.session
    session["something"] = 1
    session.save()
    assert UserSession.objects.get().user is None
