"""What waits on the phone: kept whole or not at all, holding up no other, never thrown away by a slip."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, Route, expect

from servicedesk.accounts.models import User
from servicedesk.calls.models import Finding, Inspection, PhoneRecord, Photo
from tests.browser.test_field import at_the_porch, change_waiting, hurry, save_finding, waits

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def outbox_entries(page: Page) -> Any:
    """Find what waits, in the list."""
    return page.locator("#outbox-list li")


def turn_clock(page: Page, by: timedelta) -> None:
    """Let the phone's own clock be wrong by so much from now on, also on pages that are opened later."""
    script = """((off) => {
        globalThis.RealDate ??= Date;
        globalThis.Date = class extends RealDate {
            constructor(...parts) { parts.length ? super(...parts) : super(RealDate.now() + off); }
            static now() { return RealDate.now() + off; }
        };
    })"""
    script += f"({by.total_seconds() * 1000:.0f});"
    page.add_init_script(script)
    page.evaluate(script)


def test_a_slow_press_takes_a_record_back_and_the_focus_stays(
    phone: Page, live_server: Any, tess: User
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    save_finding(phone)
    button = outbox_entries(phone).get_by_role("button", name="Take it back")
    button.focus()
    phone.wait_for_timeout(1500)
    assert phone.evaluate("document.activeElement.textContent") == "Take it back"
    button.scroll_into_view_if_needed()
    box = button.bounding_box()
    assert box is not None
    phone.mouse.move(box["x"] + 5, box["y"] + 5)
    phone.mouse.down()
    phone.wait_for_timeout(1500)
    phone.mouse.up()
    waits(phone, 0)
    assert outbox_entries(phone).count() == 0


def test_what_was_just_saved_can_be_taken_back_beside_the_button(
    phone: Page, live_server: Any, tess: User
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    save_finding(phone)
    phone.locator("form[data-kind=finding] .said").get_by_role("button", name="Take it back").tap()
    expect(phone.locator("form[data-kind=finding] .said")).to_contain_text("Taken back: binds")
    waits(phone, 0)


def test_a_record_that_the_office_chokes_on_holds_up_no_other(
    phone: Page, live_server: Any, tess: User
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    choked: list[str] = []

    def choke(route: Route) -> None:
        key = route.request.post_data_json["key"]
        if not choked:
            choked.append(key)
        if key == choked[0]:
            route.fulfill(status=500, body="broken")
        else:
            route.continue_()

    phone.context.route("**/field/inbox/", choke)
    save_finding(phone, mode="binds")
    save_finding(phone, mode="worn")
    hurry(phone)
    waits(phone, 1)
    assert Finding.objects.get().mode.name == "worn"
    expect(outbox_entries(phone)).to_contain_text("the office has trouble with it")
    phone.context.unroute("**/field/inbox/")
    phone.locator("#send-now").tap()
    waits(phone, 0)
    assert Finding.objects.count() == 2


def test_a_photo_waits_for_its_record_and_goes_up_once(
    phone: Page, live_server: Any, tess: User, small_jpeg: bytes
) -> None:
    unit = at_the_porch(phone, live_server.url)
    uploads: list[str] = []
    phone.on(
        "request", lambda request: uploads.append(request.url) if "/field/photos/" in request.url else None
    )
    phone.goto(unit)
    save_finding(phone)
    hurry(phone)
    waits(phone, 0)
    phone.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_jpeg})
    save_finding(phone)  # the same fault again: the office asks
    hurry(phone)
    expect(outbox_entries(phone).first).to_contain_text("needs your answer")
    for _ in range(3):
        phone.locator("#send-now").tap()
        phone.wait_for_timeout(700)
    assert uploads == []
    phone.get_by_role("button", name="No, it is a new fault").tap()
    waits(phone, 0)
    assert len(uploads) == 1
    assert Photo.objects.get().finding == Finding.objects.latest("pk")


def test_throwing_away_takes_two_deliberate_taps(phone: Page, live_server: Any, tess: User) -> None:
    unit = at_the_porch(phone, live_server.url)
    for number in (0, 1):
        phone.goto(unit)
        save_finding(phone)
        hurry(phone)
        waits(phone, number)
    entry = outbox_entries(phone)
    entry.get_by_role("button", name="Throw it away").tap()
    waits(phone, 1)
    entry.get_by_role("button", name="Keep it").tap()
    expect(entry.get_by_role("button", name="Let the office settle it")).to_be_visible()
    waits(phone, 1)
    entry.get_by_role("button", name="Throw it away").tap()
    entry.get_by_role("button", name="Throw it away for good").tap()
    waits(phone, 0)
    assert Finding.objects.count() == 1


def test_a_phone_without_room_keeps_nothing_by_halves(
    phone: Page, live_server: Any, tess: User, small_jpeg: bytes
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    phone.evaluate(
        """() => {
            const add = IDBObjectStore.prototype.add;
            IDBObjectStore.prototype.add = function (record) {
                if (record.photo) throw new DOMException("full", "QuotaExceededError");
                return add.call(this, record);
            };
        }"""
    )
    phone.locator("label.choice", has_text="binds").first.tap()
    phone.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_jpeg})
    for _ in range(3):
        phone.get_by_role("button", name="Save", exact=True).tap()
        expect(phone.get_by_text("Nothing is saved yet")).to_be_visible()
    waits(phone, 0)
    phone.get_by_role("button", name="Save without the photo").tap()
    expect(phone.get_by_text("Saved on this phone")).to_be_visible()
    hurry(phone)
    waits(phone, 0)
    assert (Finding.objects.count(), Photo.objects.count()) == (1, 0)


def test_a_photo_that_the_browser_cannot_read_is_said_and_nothing_is_lost(
    phone: Page, live_server: Any, tess: User
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    phone.locator("label.choice", has_text="binds").first.tap()
    phone.get_by_label("Note optional").fill("squeaks")
    content = b"\x00\x00\x00\x24ftypheic" + b"x" * 500
    phone.locator("#photo").set_input_files(
        {"name": "IMG_1.HEIC", "mimeType": "image/heic", "buffer": content}
    )
    phone.get_by_role("button", name="Save", exact=True).tap()
    expect(phone.get_by_text("cannot read that photo")).to_be_visible()
    waits(phone, 0)
    phone.get_by_role("button", name="Save without the photo").tap()
    hurry(phone)
    waits(phone, 0)
    assert Finding.objects.get().note == "squeaks"


def test_a_session_that_ended_leads_to_the_sign_in_and_back(
    phone: Page, live_server: Any, tess: User
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    save_finding(phone)
    phone.context.clear_cookies()
    phone.locator("#send-now").tap()
    phone.get_by_role("link", name="Sign in to send").tap()
    phone.wait_for_url(re.compile(r"/sign-in/\?next=%2Ffield%2Funits%2F"))


@pytest.mark.parametrize("days", [-1, 1, 3], ids=["a day slow", "a day ahead", "three days ahead"])
def test_a_record_keeps_its_day_whatever_the_clock_of_the_phone_says(
    phone: Page, live_server: Any, tess: User, days: int
) -> None:
    unit = at_the_porch(phone, live_server.url)
    turn_clock(phone, timedelta(days=days))
    phone.goto(unit)
    save_finding(phone)
    hurry(phone)
    waits(phone, 0)
    assert Finding.objects.get().found_on == timezone.localdate()


def test_a_clock_set_right_after_recording_holds_nothing_back(
    phone: Page, live_server: Any, tess: User
) -> None:
    unit = at_the_porch(phone, live_server.url)
    phone.context.set_offline(True)
    phone.goto(unit)
    turn_clock(phone, timedelta(days=1))
    save_finding(phone)
    turn_clock(phone, timedelta(0))
    phone.context.set_offline(False)
    phone.locator("#send-now").tap()
    waits(phone, 0)
    assert Finding.objects.get().found_on == timezone.localdate()


def test_recorded_yesterday_and_sent_today_keeps_yesterday(phone: Page, live_server: Any, tess: User) -> None:
    unit = at_the_porch(phone, live_server.url)
    phone.context.set_offline(True)
    phone.goto(unit)
    phone.get_by_role("button", name="Inspected, no faults").tap()
    waits(phone, 1)
    change_waiting(
        phone,
        """(record) => {
            const made = new Date(Date.parse(record.made_at) - 24 * 3600 * 1000);
            const two = (number) => String(number).padStart(2, "0");
            const on = `${made.getFullYear()}-${two(made.getMonth() + 1)}-${two(made.getDate())}`;
            const times = { made_at: made.toISOString(), made_on: on, clock: {} };
            return { ...record, ...times, body: { ...record.body, found_on: on, done_on: on }, hold: 0 };
        }""",
    )
    phone.context.set_offline(False)
    phone.locator("#send-now").tap()
    waits(phone, 0)
    assert Inspection.objects.get().inspected_on == timezone.localdate() - timedelta(days=1)
    assert PhoneRecord.objects.count() == 1
