"""Forms that the desk could not be sure of: a page says why, and they can be sent again from there."""

from __future__ import annotations

import pytest
from django.utils import timezone

from servicedesk.calls.models import Call
from tests.browser.acts import PASSWORD
from tests.browser.every_form.stand import PHONE, Stand, Window
from tests.factories import SiteFactory, UnitFactory
from units.labels import labels_for

pytestmark = pytest.mark.browser


def sign_in(window: Window, username: str) -> None:
    """Sign in through the form."""
    window.open("/sign-in/")
    window.page.get_by_label("Username").fill(username)
    window.page.get_by_label("Password").fill(PASSWORD)
    window.page.get_by_role("button", name="Sign in").click()
    window.page.wait_for_load_state()


def test_a_form_open_since_before_somebody_signed_in_again(stand: Stand) -> None:
    site = SiteFactory()
    with stand.window() as window:
        sign_in(window, "the-technician")
        window.open(f"/calls/log/{site.pk}/")
        other = Window(window.page.context.new_page())
        other.page.context.clear_cookies(name="sessionid")
        sign_in(other, "the-technician")
        window.page.locator("[name=words]").fill("It sticks at noon")
        window.page.get_by_label("stiff at all times").check(force=True)
        window.page.locator("[name=urgency][value=this_week]").check(force=True)
        window.page.get_by_role("button", name="Log the call").click()
        window.page.wait_for_load_state()
        assert window.heading == "Nothing was saved: please send it again"
        assert "has signed in again" in window.page.inner_text("main")
        assert "It sticks at noon" in window.page.inner_text("dl")
        assert not Call.objects.exists()
        window.page.get_by_role("button", name="Send it again").click()
        window.page.wait_for_load_state()
        assert Call.objects.get().words == "It sticks at noon"
        assert window.page.url.endswith(Call.objects.get().get_absolute_url())


def test_a_browser_that_lost_its_cookies(stand: Stand) -> None:
    code = labels_for([UnitFactory()], by=None, at=timezone.now())[0].code
    with stand.window(width=PHONE) as window:
        window.open(f"/w/{code}/")
        window.page.locator("textarea").fill("It sticks")
        window.page.context.clear_cookies()
        window.page.get_by_role("button", name="Send", exact=True).click()
        window.page.wait_for_load_state()
        assert "Your browser does not accept cookies from desk.example" in window.page.inner_text("main")
        window.page.get_by_role("button", name="Send it again").click()
        window.page.get_by_text("Thank you. We have it on our list.").wait_for()
    assert Call.objects.get().words == "It sticks"


def test_a_password_is_never_repeated(stand: Stand) -> None:
    with stand.window() as window:
        window.open("/sign-in/")
        window.page.get_by_label("Username").fill("the-owner")
        window.page.get_by_label("Password").fill(PASSWORD)
        window.page.context.clear_cookies()
        window.page.get_by_role("button", name="Sign in").click()
        window.page.wait_for_load_state()
        assert PASSWORD not in window.page.content()
        assert not window.page.get_by_role("button", name="Send it again").count()
        window.page.get_by_role("link", name="Load the page again").click()
        window.page.wait_for_url("**/sign-in/")
        assert window.heading == "Sign in"
