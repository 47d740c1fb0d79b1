"""The pages that a phone keeps: through new scripts, a break in packing and a change of hands."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.hashers import Argon2PasswordHasher, make_password
from django.contrib.auth.models import Group
from playwright.sync_api import Page, expect

from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Finding
from tests.browser.acts import PASSWORD, sign_in
from tests.browser.test_field import at_the_porch, hurry, save_finding, waits
from tests.factories import UserFactory
from tests.servicedesk.real_server import free_port, serving
from units.models import Unit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def new_version(static: Path) -> None:
    """Give every script of the phone a new hashed name, as a new version does."""
    manifest = json.loads((static / "staticfiles.json").read_text())
    renamed = {}
    for name, hashed in manifest["paths"].items():
        if name.startswith("field/"):
            renamed[name] = (hashed, hashed.replace(".js", "9.js"))
    for old, new in renamed.values():
        text = (static / old).read_text()
        for other_old, other_new in renamed.values():
            text = text.replace(Path(other_old).name, Path(other_new).name)
        (static / new).write_text(text)
        (static / old).unlink()
    manifest["paths"] |= {name: new for name, (_, new) in renamed.items()}
    (static / "staticfiles.json").write_text(json.dumps(manifest))


def open_offline(page: Page, base: str) -> None:
    """Open every page of the day without signal, and record something on the last."""
    page.context.set_offline(True)
    visit = page.locator("ol.stops a[data-pack]").first.get_attribute("href")
    for path in ("/field/", visit, f"/field/units/{Unit.objects.get().pk}/"):
        page.goto(f"{base}{path}")
        expect(page.locator("h1")).to_be_visible()
    save_finding(page)
    page.context.set_offline(False)


def test_a_new_version_takes_nothing_from_the_pack(phone: Page, tess: User, tmp_path: Path) -> None:
    tess.password = make_password(PASSWORD, hasher=Argon2PasswordHasher())  # the server takes no other
    tess.save()
    port = free_port()
    base = f"http://127.0.0.1:{port}"
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    with serving(first, port=port):
        at_the_porch(phone, base)
        open_offline(phone, base)
        second.mkdir()
        shutil.copytree(first / "static", second / "static")
    new_version(second / "static")
    with serving(second, port=port, collect=False):
        phone.goto(f"{base}/field/")
        assert "9.js" in (phone.locator("script[type=module]").get_attribute("src") or "")
        expect(phone.locator("#pack")).to_contain_text("6 pages kept")
        hurry(phone)
        waits(phone, 0)
        open_offline(phone, base)
        phone.goto(f"{base}/field/")
        hurry(phone)
        waits(phone, 1)  # the same fault twice: it is asked about
    assert Finding.objects.count() == 1


def test_packing_that_breaks_off_says_so_and_goes_on(phone: Page, live_server: Any, tess: User) -> None:
    sign_in(phone, live_server.url, "tess")
    phone.context.route("**/field/units/**", lambda route: route.abort())
    phone.goto(f"{live_server.url}/field/")
    expect(phone.locator("#pack")).to_contain_text("Unfinished: 4 of 6 pages")
    phone.context.unroute("**/field/units/**")
    phone.get_by_role("link", name="Start visit").tap()
    phone.wait_for_url("**/stops/**")
    for _ in range(100):
        if (
            phone.evaluate("async () => (await (await caches.match('/field/pack-owner')).json()).left.length")
            == 0
        ):
            break
        phone.wait_for_timeout(100)
    phone.context.set_offline(True)
    phone.goto(f"{live_server.url}/field/")
    expect(phone.locator("#pack")).to_contain_text("6 pages kept")
    open_offline(phone, live_server.url)


def colleague() -> User:
    """Add another technician."""
    person: User = UserFactory(username="selj", name="Selj Other")
    person.set_password(PASSWORD)
    person.save()
    person.groups.add(Group.objects.get_or_create(name=Role.TECHNICIAN.value)[0])
    return person


def packed(page: Page) -> list[str]:
    """List what the phone keeps, by path."""
    script = """async () => {
        if (!(await caches.has("pack"))) return [];
        const requests = await (await caches.open("pack")).keys();
        return requests.map((request) => new URL(request.url).pathname);
    }"""
    return list(page.evaluate(script))


def nothing_packed(page: Page) -> None:
    """Look that the phone keeps nothing, as soon as the page has cleared up."""
    for _ in range(30):
        if not packed(page):
            return
        page.wait_for_timeout(100)
    assert packed(page) == []


def test_signing_out_on_my_account_clears_the_pack(phone: Page, live_server: Any, tess: User) -> None:
    at_the_porch(phone, live_server.url)
    assert "/field/" in packed(phone)
    phone.goto(f"{live_server.url}/me/")
    phone.get_by_role("button", name="Sign out", exact=True).tap()
    phone.wait_for_url("**/sign-in/**")
    nothing_packed(phone)
    phone.context.set_offline(True)
    with pytest.raises(Exception, match=r"ERR_INTERNET_DISCONNECTED|ERR_FAILED"):
        phone.goto(f"{live_server.url}/field/")


def test_the_next_person_sees_and_makes_nothing_of_the_one_before(
    phone: Page, live_server: Any, tess: User
) -> None:
    colleague()
    at_the_porch(phone, live_server.url)
    phone.context.clear_cookies()  # the session ended elsewhere: nobody signed out on this phone
    sign_in(phone, live_server.url, "selj")
    nothing_packed(phone)
    phone.goto(f"{live_server.url}/field/")
    expect(phone.locator("#pack")).to_contain_text("2 pages kept")
    phone.context.set_offline(True)
    phone.goto(f"{live_server.url}/field/")
    assert "Lubricate the track" not in phone.locator("main").inner_text()


def test_a_page_left_open_records_nothing_for_somebody_else(
    phone: Page, live_server: Any, tess: User
) -> None:
    colleague()
    phone.goto(at_the_porch(phone, live_server.url))
    other = phone.context.new_page()
    phone.context.clear_cookies()
    sign_in(other, live_server.url, "selj")
    phone.locator("#send-now").tap()
    phone.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(phone.locator("#outbox")).to_contain_text("Somebody else is signed in")
    phone.locator("label.choice", has_text="binds").first.tap()
    phone.get_by_role("button", name="Save", exact=True).tap()
    expect(phone.locator("form[data-kind=finding] .said")).to_contain_text("nothing is recorded here")
    waits(phone, 0)


@pytest.mark.parametrize("where", ["/field/", "/me/"])
def test_signing_out_without_signal_ends_the_session_and_keeps_what_was_recorded(
    phone: Page, live_server: Any, tess: User, where: str
) -> None:
    unit = at_the_porch(phone, live_server.url)
    phone.goto(unit)
    save_finding(phone)
    phone.goto(f"{live_server.url}{where}")
    phone.context.set_offline(True)
    phone.on("dialog", lambda dialog: dialog.accept())
    phone.get_by_role("button", name="Sign out").first.tap()
    expect(phone.get_by_role("heading", name="You are signed out on this phone")).to_be_visible()
    phone.goto(f"{live_server.url}/field/")
    expect(phone.get_by_role("heading", name="You are signed out on this phone")).to_be_visible()
    phone.context.set_offline(False)
    phone.goto(f"{live_server.url}/")  # whoever has the phone now, on any page
    phone.wait_for_url("**/sign-in/**")
    nothing_packed(phone)
    sign_in(phone, live_server.url, "tess")
    phone.goto(f"{live_server.url}/field/")
    phone.locator("#send-now").tap()
    waits(phone, 0)
    assert Finding.objects.get().recorded_by == tess
