"""Forms of one's own account: signing in and out, the code, a first password and another one."""

from __future__ import annotations

from datetime import timedelta

import pyotp
import pytest
from django.contrib.auth.tokens import default_token_generator
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from servicedesk.accounts.models import MfaDevice, Role, UserSession
from servicedesk.accounts.operations import invite_person
from tests.browser.acts import PASSWORD
from tests.browser.every_form.stand import DESK, PHONE, Stand, Window

pytestmark = pytest.mark.browser

NEW = "another porch of four panels"


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def width(request: pytest.FixtureRequest) -> tuple[int, int]:
    """A window at either width."""
    size: tuple[int, int] = request.param
    return size


def press(window: Window, button: str) -> None:
    """Press a button and wait for the page that follows."""
    with window.page.expect_navigation(
        wait_until="load"
    ):  # signing out asks the office before it sends the form
        window.page.get_by_role("button", name=button, exact=True).first.click()


def sign_in(window: Window, username: str, password: str = PASSWORD) -> None:
    """Sign in through the form."""
    window.open("/sign-in/")
    window.page.get_by_label("Username").fill(username)
    window.page.get_by_label("Password").fill(password)
    press(window, "Sign in")


def status(window: Window) -> str:
    """Read what the page says was done."""
    return window.page.get_by_role("status").first.inner_text()


@pytest.mark.parametrize("role", Role.values)
def test_signing_in_and_out(stand: Stand, role: str, width: tuple[int, int]) -> None:
    with stand.window(width=width) as window:
        sign_in(window, f"the-{role}")
        assert stand.people[role].name in window.page.inner_text("footer")
        assert UserSession.objects.filter(user=stand.people[role]).count() == 1
        window.open("/me/")
        press(window, "Sign out")
        assert window.heading == "Sign in"
    assert not UserSession.objects.filter(user=stand.people[role]).exists()


def test_a_first_password(stand: Stand, width: tuple[int, int]) -> None:
    owner = stand.people["owner"]
    person = invite_person(
        "ida",
        name="Testa New",
        email="ida@company.example",
        role=Role.TECHNICIAN,
        by=owner,
        at=timezone.now(),
    )
    with stand.window(width=width) as window:
        window.open(reverse("accounts:welcome", args=[person.pk, default_token_generator.make_token(person)]))
        window.page.locator("input[type=password]").fill(NEW)
        press(window, "Save the password")
        assert window.heading == "Sign in"
        sign_in(window, "ida", NEW)
        assert "Testa New" in window.page.inner_text("footer")


def test_another_password(stand: Stand) -> None:
    with stand.window() as window:
        sign_in(window, "the-technician")
        window.open("/me/")
        old, new = window.page.locator("input[type=password]").all()
        old.fill(PASSWORD)
        new.fill(NEW)
        press(window, "Save the new password")
        assert status(window) == "Your new password is saved."
        press(window, "Sign out")
        sign_in(window, "the-technician", NEW)
        assert window.page.get_by_text("do not go together").count() == 0


def test_the_code_from_a_phone(stand: Stand, width: tuple[int, int]) -> None:
    person = stand.people["owner"]
    with stand.window(width=width) as window:
        sign_in(window, "the-owner")
        window.open("/me/second-step/")
        code = pyotp.TOTP(window.page.locator(".secret").inner_text())
        window.page.locator("input[type=password]").fill(PASSWORD)
        window.page.locator("input[name=code]").fill(code.now())
        press(window, "Ask me for a code from now on")
        assert MfaDevice.objects.filter(user=person).exists()
        window.open("/me/")
        press(window, "Sign out")
        sign_in(window, "the-owner")
        assert window.heading == "The code from your phone"
        window.page.locator("input[name=code]").fill(code.at(timezone.now() + timedelta(seconds=30)))
        press(window, "Sign in")
        window.open("/me/second-step/end/")
        window.page.locator("input[type=password]").fill(PASSWORD)
        window.page.locator("main form button").click()
        expect(window.page.get_by_role("status")).to_have_text("You sign in without a code now.")
    assert not MfaDevice.objects.filter(user=person).exists()


def test_signing_out_elsewhere(stand: Stand) -> None:
    person = stand.people["scheduler"]
    with stand.window("scheduler"), stand.window("scheduler"), stand.window("scheduler") as window:
        window.open("/me/")
        assert UserSession.objects.filter(user=person).count() == 3
        press(window, "Sign out")
        assert UserSession.objects.filter(user=person).count() == 2
        press(window, "Sign out everywhere but here")
        assert UserSession.objects.filter(user=person).count() == 1
        window.open("/me/")
