"""Signing in with a code as well, checked against the values that RFC 6238 prints."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pyotp
import pytest
import time_machine
from django.core.management import call_command
from django.test import Client

from servicedesk.accounts.codes import address_of_secret, matching_counter, new_secret
from servicedesk.accounts.models import MfaDevice, User
from servicedesk.core.models import Change

PASSWORD = "a-long-made-up-word"
NOW = datetime(2026, 5, 4, 12, 0, 5, tzinfo=UTC)
# RFC 6238, appendix B, SHA-1: seconds, and the code of eight digits. Six are its last six (RFC 4226, 5.3).
RFC_SECRET = base64.b32encode(b"12345678901234567890").decode()
RFC_VALUES = [
    (59, "94287082"),
    (1111111109, "07081804"),
    (1111111111, "14050471"),
    (1234567890, "89005924"),
    (2000000000, "69279037"),
    (20000000000, "65353130"),
]


@pytest.mark.parametrize(("seconds", "code"), RFC_VALUES)
def test_codes_are_those_of_the_standard(seconds: int, code: str) -> None:
    at = datetime.fromtimestamp(seconds, UTC)
    assert matching_counter(RFC_SECRET, code[-6:], at=at) == seconds // 30


@pytest.mark.parametrize(("off", "taken"), [(-30, True), (59, True), (-31, False), (60, False)])
def test_a_phone_may_be_off_by_one_step(off: int, taken: bool) -> None:
    at = datetime.fromtimestamp(1111111110, UTC)
    code = "14050471"[-6:]  # of the step that begins at 1111111110
    assert (matching_counter(RFC_SECRET, code, at=at + timedelta(seconds=off)) is not None) == taken


@pytest.mark.parametrize("code", ["", "05047", "0504711", "o50471", "٠٥٠٤٧١", "05047-1"])
def test_what_is_no_code_is_never_one(code: str) -> None:
    assert matching_counter(RFC_SECRET, code, at=datetime.fromtimestamp(1111111111, UTC)) is None


def test_the_picture_carries_what_apps_read() -> None:
    secret = new_secret()
    read = pyotp.parse_uri(address_of_secret(secret, name="tess", company="Some Porch & Co"))
    assert (read.secret, read.name, read.issuer) == (secret, "tess", "Some Porch & Co")


@pytest.fixture
def clock() -> Iterator[time_machine.Coordinates]:
    """A clock that stands until it is moved."""
    with time_machine.travel(NOW, tick=False) as traveler:
        yield traveler


@pytest.fixture
def tess(technician: User) -> User:
    """A technician with a password."""
    technician.set_password(PASSWORD)
    technician.save()
    return technician


def code_of(user: User) -> str:
    """Read the code off the phone."""
    return pyotp.TOTP(MfaDevice.objects.get(user=user).secret).at(datetime.now(UTC))


def set_up(user: User) -> Client:
    """Sign in and ask for the second step."""
    client = Client()
    client.force_login(user)
    page = client.get("/me/second-step/").content.decode()
    secret = client.session["new_mfa"]
    assert secret in page
    assert "<svg" in page
    wrong = client.post("/me/second-step/", {"code": "000000", "old": PASSWORD})
    assert wrong.status_code == 422
    assert "not the code" in wrong.content.decode()
    code = pyotp.TOTP(secret).at(datetime.now(UTC))
    assert client.post("/me/second-step/", {"code": code, "old": PASSWORD}).status_code == 302
    return client


def first_half(user: User) -> Client:
    """Give name and password in a new browser."""
    client = Client()
    answer = client.post("/sign-in/?next=/units/", {"username": user.username, "password": PASSWORD})
    assert answer["Location"] == "/sign-in/code/"
    assert client.get("/me/")["Location"].startswith("/sign-in/?")
    return client


@pytest.mark.django_db
def test_password_and_code_lead_to_the_page_that_was_wanted(
    tess: User, clock: time_machine.Coordinates
) -> None:
    set_up(tess)
    clock.shift(60)
    client = first_half(tess)
    answer = client.post("/sign-in/code/", {"code": f" {code_of(tess)[:3]} {code_of(tess)[3:]}"})
    assert answer["Location"] == "/units/"
    assert client.get("/me/").status_code == 200
    assert "Since May 4, 2026" in client.get("/me/").content.decode()
    assert Change.objects.about(tess).order_by("-pk")[0].action == "signs in with a code from now on"


@pytest.mark.django_db
def test_a_code_is_good_once(tess: User, clock: time_machine.Coordinates) -> None:
    set_up(tess)
    assert first_half(tess).post("/sign-in/code/", {"code": code_of(tess)}).status_code == 422
    clock.shift(60)
    assert first_half(tess).post("/sign-in/code/", {"code": code_of(tess)}).status_code == 302
    assert first_half(tess).post("/sign-in/code/", {"code": code_of(tess)}).status_code == 422


@pytest.mark.django_db
def test_guessing_codes_is_slowed_down_like_guessing_passwords(
    tess: User, clock: time_machine.Coordinates
) -> None:
    set_up(tess)
    client = first_half(tess)
    statuses = [client.post("/sign-in/code/", {"code": f"{number:06d}"}).status_code for number in range(6)]
    assert statuses == [422, 422, 422, 422, 429, 429]


@pytest.mark.django_db
def test_the_password_is_good_for_five_minutes_only(tess: User, clock: time_machine.Coordinates) -> None:
    set_up(tess)
    client = first_half(tess)
    clock.shift(301)
    assert client.post("/sign-in/code/", {"code": code_of(tess)})["Location"] == "/sign-in/"


@pytest.mark.django_db
def test_without_a_password_first_no_code_is_asked_for(client: Client) -> None:
    assert client.get("/sign-in/code/")["Location"] == "/sign-in/"


@pytest.mark.django_db
def test_who_left_between_the_two_stays_out(tess: User, clock: time_machine.Coordinates) -> None:
    set_up(tess)
    clock.shift(60)
    client = first_half(tess)
    User.objects.filter(pk=tess.pk).update(is_active=False)
    assert client.post("/sign-in/code/", {"code": code_of(tess)})["Location"] == "/sign-in/"


@pytest.mark.django_db
def test_the_right_code_without_the_password_begins_nothing(
    tess: User, clock: time_machine.Coordinates
) -> None:
    client = Client()
    client.force_login(tess)
    client.get("/me/second-step/")
    code = pyotp.TOTP(client.session["new_mfa"]).at(datetime.now(UTC))
    for old in ("", "wrong"):
        assert client.post("/me/second-step/", {"code": code, "old": old}).status_code == 422
    assert not MfaDevice.objects.exists()
    assert client.post("/me/second-step/", {"code": code, "old": PASSWORD}).status_code == 302


@pytest.mark.django_db
def test_ending_it_takes_the_password(tess: User, clock: time_machine.Coordinates) -> None:
    client = set_up(tess)
    assert client.get("/me/second-step/")["Location"] == "/me/"
    assert client.post("/me/second-step/end/", {"old": "wrong"}).status_code == 422
    assert MfaDevice.objects.exists()
    assert client.post("/me/second-step/end/", {"old": PASSWORD}).status_code == 302
    assert not MfaDevice.objects.exists()


@pytest.mark.django_db
def test_an_owner_or_the_machine_helps_where_a_phone_is_lost(
    tess: User, as_owner: Client, clock: time_machine.Coordinates
) -> None:
    set_up(tess)
    assert "phone lost" in as_owner.get(f"/people/{tess.pk}/").content.decode()
    as_owner.post(f"/people/{tess.pk}/second-step/end/")
    assert not MfaDevice.objects.exists()
    clock.shift(60)
    set_up(tess)
    call_command("end_mfa", tess.username, verbosity=0)
    assert not MfaDevice.objects.exists()


@pytest.mark.django_db
def test_both_forms_sent_twice_do_what_once_does(tess: User, clock: time_machine.Coordinates) -> None:
    client = set_up(tess)
    device = MfaDevice.objects.get()
    assert client.post("/me/second-step/", {"code": code_of(tess)})["Location"] == "/me/"
    assert MfaDevice.objects.get() == device
    for _ in range(2):
        assert client.post("/me/second-step/end/", {"old": PASSWORD}).status_code == 302
    assert not MfaDevice.objects.exists()
