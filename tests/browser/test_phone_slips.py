"""Slips and chances of a day with a phone: a second tap, a change of mind too late, a night in a pocket."""

from __future__ import annotations

from datetime import timedelta
from email.utils import format_datetime
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, Route, expect

from servicedesk.accounts.models import User
from servicedesk.calls.models import Finding, Inspection, PhoneRecord
from tests.browser.test_field import at_the_porch, hurry, save_finding, waits
from tests.browser.test_outbox import outbox_entries
from tests.browser.test_pack import packed

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_an_account_switched_off_is_asked_about_and_not_hammered(
    phone: Page, live_server: Any, tess: User
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    save_finding(phone)
    tess.is_active = False
    tess.save()
    questions: list[str] = []
    phone.on("request", lambda request: questions.append(request.url) if "/token/" in request.url else None)
    hurry(phone)
    expect(phone.locator("#outbox")).to_contain_text("Your account is switched off")
    phone.wait_for_timeout(2000)
    assert len(questions) <= 2
    waits(phone, 1)


def test_what_is_sent_already_is_not_said_to_be_taken_back(phone: Page, live_server: Any, tess: User) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    save_finding(phone)
    said = phone.locator("form[data-kind=finding] .said")
    phone.locator("#send-now").tap()
    waits(phone, 0)
    said.get_by_role("button", name="Take it back").tap()
    expect(said).to_contain_text("Too late to take back: binds")
    assert Finding.objects.count() == 1


def test_what_is_on_its_way_is_not_taken_back(phone: Page, live_server: Any, tess: User) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    on_the_way: list[Route] = []
    phone.context.route("**/field/inbox/", lambda route: on_the_way.append(route))
    save_finding(phone)
    said = phone.locator("form[data-kind=finding] .said")
    phone.locator("#send-now").tap()
    expect(outbox_entries(phone)).to_contain_text("sending")
    said.get_by_role("button", name="Take it back").tap()
    expect(said).to_contain_text("Too late to take back: binds")
    on_the_way[0].continue_()
    waits(phone, 0)
    assert Finding.objects.count() == 1


@pytest.mark.parametrize("path", ["stop", "finish"])
def test_a_second_tap_makes_no_second_record(phone: Page, live_server: Any, tess: User, path: str) -> None:
    at_the_porch(phone, live_server.url)
    phone.get_by_role("link", name="Start visit").tap()
    if path == "finish":
        phone.get_by_role("link", name="Finish the visit").tap()
    button = phone.get_by_role("button", name="Finish the visit" if path == "finish" else "All inspected")
    button.tap()
    expect(phone.get_by_text("Saved on this phone")).to_be_visible()
    button.tap()
    phone.wait_for_timeout(500)
    assert outbox_entries(phone).count() == 1
    hurry(phone)
    waits(phone, 0)
    assert PhoneRecord.objects.count() == 1


def test_a_night_in_a_pocket_makes_no_record_of_today(phone: Page, live_server: Any, tess: User) -> None:
    """While a phone sleeps, the time that a page has been open stands still on many of them."""
    night = timedelta(hours=30)
    shift = night.total_seconds() * 1000
    phone.add_init_script(
        f"""globalThis.asleep = {shift:.0f};
        const now = Date.now.bind(Date);
        globalThis.Date = class extends Date {{
            constructor(...parts) {{ parts.length ? super(...parts) : super(now() - asleep); }}
            static now() {{ return now() - asleep; }}
        }};"""
    )

    def yesterday(route: Route) -> None:
        answer = route.fetch()
        date = format_datetime(timezone.now() - night, usegmt=True)
        route.fulfill(response=answer, headers={**answer.headers, "date": date})

    unit = at_the_porch(phone, live_server.url)
    phone.context.route("**/field/token/", yesterday)
    phone.goto(unit)
    phone.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    phone.wait_for_timeout(500)
    assert phone.evaluate("localStorage.getItem('office-clock')")
    phone.context.set_offline(True)
    phone.get_by_role("button", name="Inspected, no faults").tap()
    waits(phone, 1)
    phone.context.unroute("**/field/token/")
    phone.evaluate("asleep = 0")
    phone.context.set_offline(False)
    hurry(phone)
    waits(phone, 0)
    assert Inspection.objects.get().inspected_on == timezone.localdate(timezone.now() - night)


def test_signing_out_while_the_day_is_packed_leaves_nothing(
    phone: Page, live_server: Any, tess: User
) -> None:
    """The signal goes just then, so no page that would clear up comes after."""
    at_the_porch(phone, live_server.url)
    phone.add_init_script(
        """const real = fetch;
        globalThis.fetch = async (path, options) => {
            const answer = await real(path, options);
            if (options?.headers?.["X-Pack"]) await new Promise((done) => setTimeout(done, 400));
            return answer;
        };"""
    )
    phone.goto(f"{live_server.url}/field/")
    expect(phone.locator("#pack")).to_contain_text("1 of 6 pages")
    on_the_way: list[Route] = []
    phone.context.route("**/sign-out/", lambda route: on_the_way.append(route))
    phone.get_by_role("button", name="Sign out and clear this phone").tap(no_wait_after=True)
    phone.wait_for_timeout(3000)
    on_the_way[0].abort()
    phone.wait_for_timeout(500)
    phone.goto(f"{live_server.url}/field/signed-out/")
    assert packed(phone) == []


def test_what_is_taken_back_while_others_are_sent_is_not_sent(
    phone: Page, live_server: Any, tess: User
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    on_the_way: list[Route] = []
    phone.context.route("**/field/inbox/", lambda route: on_the_way.append(route))
    save_finding(phone, mode="binds")
    save_finding(phone, mode="worn")
    phone.locator("#send-now").tap()
    expect(outbox_entries(phone).first).to_contain_text("sending")
    outbox_entries(phone).last.get_by_role("button", name="Take it back").tap()
    waits(phone, 1)
    on_the_way[0].continue_()
    waits(phone, 0)
    phone.wait_for_timeout(500)
    assert len(on_the_way) == 1
    assert Finding.objects.get().mode.name == "binds"


def test_what_is_not_seen_is_not_said(phone: Page, live_server: Any, tess: User) -> None:
    """Words on a danger that was none after all, and pieces where nothing was replaced."""
    phone.goto(at_the_porch(phone, live_server.url))
    phone.get_by_text("unsafe", exact=True).tap()
    phone.get_by_label("What was done to make it safe").fill("panel taken down")
    phone.get_by_text("hard to operate", exact=True).tap()
    save_finding(phone)
    hurry(phone)
    waits(phone, 0)
    body = PhoneRecord.objects.get().payload
    assert {"made_safe_how", "pieces"} & set(body) == set()
    assert body["severity"] == "hinders"
