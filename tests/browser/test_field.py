"""The technician's phone with and without signal: nothing lost, nothing doubled, the count always right."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import Group
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Finding, Inspection, PhoneRecord, Photo, Work
from tests.browser.acts import PASSWORD, overflow, sign_in, violations
from tests.browser.chromium import CHROMIUM, FLAGS, PHONE
from tests.factories import (
    UserFactory,
)
from units.models import Unit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def at_the_porch(page: Page, base: str) -> str:
    """Sign in, open Today, wait until the pack is kept, and give the address of the unit."""
    sign_in(page, base, "tess")
    page.goto(f"{base}/field/")
    expect(page.locator("#pack")).to_contain_text("6 pages kept")
    return f"{base}/field/units/{Unit.objects.get().pk}/"


def save_finding(page: Page, *, mode: str = "binds") -> int:
    """Record a finding from the unit's page and count the taps."""
    taps = 0

    def tap(locator: Any) -> None:
        nonlocal taps
        locator.first.tap()
        taps += 1

    tap(page.locator("form[data-kind=finding] svg [data-panel='2']"))
    tap(page.locator("label.choice", has_text=mode))
    tap(page.get_by_text("adjusted", exact=True))
    tap(page.get_by_role("button", name="Save", exact=True))
    expect(page.get_by_text("Saved on this phone")).to_be_visible()
    return taps


def waits(page: Page, number: int) -> None:
    """Look that the count on the screen is right."""
    expect(page.locator("#outbox")).to_have_attribute("data-count", str(number), timeout=30_000)


def change_waiting(page: Page, change: str) -> None:
    """Change every record that waits on the phone by a function in its own language."""
    page.evaluate(
        """async () => {
            const opened = await new Promise((done) => {
                const request = indexedDB.open("outbox", 1);
                request.onsuccess = () => done(request.result);
            });
            const store = opened.transaction("records", "readwrite").objectStore("records");
            await new Promise((done) => {
                const all = store.getAll();
                all.onsuccess = () => {
                    for (const record of all.result) store.put(change(record));
                    done();
                };
            });
        }""".replace("change(record)", f"({change})(record)")
    )


def hurry(page: Page) -> None:
    """Let the ten seconds for taking back be over."""
    change_waiting(page, "(record) => ({ ...record, hold: 0 })")
    page.locator("#send-now").tap()


def test_a_finding_takes_six_taps_at_most_and_arrives_once(phone: Page, live_server: Any, tess: User) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    assert save_finding(phone) <= 6
    waits(phone, 1)
    assert Finding.objects.count() == 0  # it can still be taken back
    hurry(phone)
    waits(phone, 0)
    finding = Finding.objects.get()
    assert (finding.mode.name, finding.panel, finding.recorded_by) == ("binds", 2, tess)
    assert Work.objects.get().kind == "adjusted"
    assert PhoneRecord.objects.count() == 1


def test_a_record_can_be_taken_back(phone: Page, live_server: Any, tess: User) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    save_finding(phone)
    phone.locator("#outbox-list").get_by_role("button", name="Take it back").tap()
    waits(phone, 0)
    phone.wait_for_timeout(500)
    assert PhoneRecord.objects.count() == 0


def test_without_signal_everything_is_kept_and_sent_later(phone: Page, live_server: Any, tess: User) -> None:
    unit = at_the_porch(phone, live_server.url)
    phone.context.set_offline(True)
    phone.goto(unit)
    expect(phone.get_by_role("heading", name="Unit U-1")).to_be_visible()
    save_finding(phone)
    phone.get_by_role("button", name="Inspected, no faults").tap()
    waits(phone, 2)
    hurry(phone)
    phone.wait_for_timeout(1000)
    waits(phone, 2)
    assert PhoneRecord.objects.count() == 0
    phone.goto(f"{live_server.url}/field/")
    expect(phone.get_by_text("Lubricate the track")).to_be_visible()
    phone.context.set_offline(False)
    phone.locator("#send-now").tap()
    # Something was found, so "fine" is refused with the reason, and stays until it is answered.
    waits(phone, 1)
    expect(phone.locator("#outbox-list")).to_contain_text("recorded as inspected with no faults")
    phone.get_by_role("button", name="Throw it away").tap()
    phone.get_by_role("button", name="Throw it away for good").tap()
    waits(phone, 0)
    assert Finding.objects.count() == 1


def test_a_lost_answer_makes_no_second_record(phone: Page, live_server: Any, tess: User) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    lost = []

    def lose(route: Route) -> None:
        if not lost:
            lost.append(route.fetch())  # it arrives and is stored; the answer never comes back
            route.abort()
        else:
            route.continue_()

    phone.context.route("**/field/inbox/", lose)
    save_finding(phone)
    hurry(phone)
    waits(phone, 0)
    assert len(lost) == 1
    assert Finding.objects.count() == PhoneRecord.objects.count() == 1


def test_a_server_in_trouble_is_tried_again(phone: Page, live_server: Any, tess: User) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    answers = [503, 500]

    def trouble(route: Route) -> None:
        if answers:
            route.fulfill(status=answers.pop(0), body="")
        else:
            route.continue_()

    phone.context.route("**/field/inbox/", trouble)
    save_finding(phone)
    hurry(phone)
    waits(phone, 0)
    assert answers == []
    assert Finding.objects.count() == 1


def test_a_session_that_ended_keeps_the_outbox(phone: Page, live_server: Any, tess: User) -> None:
    unit = at_the_porch(phone, live_server.url)
    phone.goto(unit)
    save_finding(phone)
    phone.context.clear_cookies()
    hurry(phone)
    expect(phone.locator("#outbox")).to_contain_text("Sign in to send")
    assert PhoneRecord.objects.count() == 0
    sign_in(phone, live_server.url, "tess")
    phone.goto(f"{live_server.url}/field/")
    waits(phone, 0)
    assert Finding.objects.count() == 1


def test_somebody_else_on_the_phone_sends_and_sees_nothing_of_it(
    phone: Page, live_server: Any, tess: User
) -> None:
    other = UserFactory(username="selj", name="Selj Other")
    other.set_password(PASSWORD)
    other.save()
    other.groups.add(Group.objects.get(name=Role.TECHNICIAN.value))
    phone.goto(at_the_porch(phone, live_server.url))
    phone.context.set_offline(True)
    save_finding(phone)
    hurry(phone)
    phone.context.set_offline(False)
    phone.context.clear_cookies()
    phone.context.route("**/field/inbox/", lambda route: route.abort())
    sign_in(phone, live_server.url, "selj")
    phone.goto(f"{live_server.url}/field/")
    expect(phone.locator("#outbox")).to_contain_text("1 record of somebody else")
    assert "binds" not in phone.locator("#outbox-list").inner_text()
    phone.context.unroute("**/field/inbox/")
    phone.locator("#send-now").tap()
    phone.wait_for_timeout(1000)
    assert PhoneRecord.objects.count() == 0


def test_signing_out_names_what_is_unsent_and_clears_the_pack(
    phone: Page, live_server: Any, tess: User
) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    phone.context.set_offline(True)
    save_finding(phone)
    phone.context.set_offline(False)
    phone.context.route("**/field/inbox/", lambda route: route.abort())
    phone.goto(f"{live_server.url}/field/")
    messages: list[str] = []

    def answer(dialog: Any) -> None:
        messages.append(dialog.message)
        dialog.accept()

    phone.on("dialog", answer)
    phone.get_by_role("button", name="Sign out").tap()
    phone.wait_for_url("**/sign-in/**")
    assert "binds" in messages[0]
    phone.wait_for_function("async () => (await caches.keys()).length === 0")  # the sign-in page sees to it


def test_a_danger_is_not_saved_without_what_made_it_safe(phone: Page, live_server: Any, tess: User) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    phone.locator("label.choice", has_text="binds").first.tap()
    phone.get_by_text("unsafe").tap()
    phone.get_by_role("button", name="Save", exact=True).tap()
    assert phone.locator("#made_safe_how:invalid").count() == 1
    phone.locator("#made_safe_how").fill("Panel taken out, opening boarded")
    phone.get_by_role("button", name="Save", exact=True).tap()
    hurry(phone)
    waits(phone, 0)
    assert Finding.objects.get().made_safe_how == "Panel taken out, opening boarded"


def test_the_same_fault_lately_is_asked_about(phone: Page, live_server: Any, tess: User) -> None:
    unit = at_the_porch(phone, live_server.url)
    for number in (1, 2):
        phone.goto(unit)
        save_finding(phone)
        hurry(phone)
        waits(phone, number - 1)
    expect(phone.locator("#outbox-list")).to_contain_text("Say whether it is still the same fault")
    phone.get_by_role("button", name="No, it is a new fault").tap()
    waits(phone, 0)
    assert [finding.repeat for finding in Finding.objects.order_by("pk")] == [False, False]


def test_two_phones_at_the_same_visit(browser: Browser, phone: Page, live_server: Any, tess: User) -> None:
    unit = at_the_porch(phone, live_server.url)
    second = browser.new_context(viewport=PHONE, has_touch=True)  # type: ignore[arg-type]
    other = second.new_page()
    at_the_porch(other, live_server.url)
    for page, mode in ((phone, "binds"), (other, "worn")):
        page.goto(unit)
        save_finding(page, mode=mode)
    for page in (phone, other):
        hurry(page)
        waits(page, 0)
    second.close()
    assert sorted(finding.mode.name for finding in Finding.objects.all()) == ["binds", "worn"]


def test_a_twelve_megapixel_photo_is_scaled_on_the_phone_and_tells_nothing(
    phone: Page, live_server: Any, tess: User
) -> None:
    content = BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "Maker of cameras"
    Image.effect_noise((4032, 3024), 40).convert("RGB").save(content, "JPEG", quality=80, exif=exif)
    phone.goto(at_the_porch(phone, live_server.url))
    phone.locator("#photo").set_input_files(
        {"name": "IMG_0001.jpg", "mimeType": "image/jpeg", "buffer": content.getvalue()}
    )
    sizes: list[int] = []
    phone.on(
        "request",
        lambda request: (
            sizes.append(len(request.post_data_buffer or b""))
            if request.url.endswith("/field/photos/")
            else None
        ),
    )
    save_finding(phone)
    waits(phone, 2)
    hurry(phone)
    waits(phone, 0)
    photo = Photo.objects.get()
    assert (photo.width, photo.height) == (2048, 1536)
    assert photo.finding == Finding.objects.get()


def test_a_full_phone_says_so_and_keeps_the_form(phone: Page, live_server: Any, tess: User) -> None:
    phone.goto(at_the_porch(phone, live_server.url))
    phone.evaluate(
        """() => {
            IDBObjectStore.prototype.add = () => { throw new DOMException("full", "QuotaExceededError"); };
        }"""
    )
    phone.locator("form[data-kind=finding] svg [data-panel='2']").first.tap()
    phone.locator("label.choice", has_text="binds").first.tap()
    phone.get_by_label("Note optional").fill("squeaks")
    phone.get_by_role("button", name="Save", exact=True).tap()
    expect(phone.get_by_text("could not keep it (QuotaExceededError)")).to_be_visible()
    assert phone.get_by_label("Note optional").input_value() == "squeaks"


def test_the_browser_is_killed_and_nothing_is_lost(
    browser: Browser, live_server: Any, tess: User, tmp_path: Path
) -> None:
    kind = browser.browser_type
    flags = {"executable_path": CHROMIUM, "args": FLAGS, "viewport": PHONE, "has_touch": True}
    first: BrowserContext = kind.launch_persistent_context(str(tmp_path / "profile"), **flags)  # type: ignore[arg-type]
    page = first.pages[0]
    page.goto(at_the_porch(page, live_server.url))
    page.context.set_offline(True)
    save_finding(page)
    first.close()
    again: BrowserContext = kind.launch_persistent_context(  # type: ignore[arg-type]
        str(tmp_path / "profile"), offline=True, **flags
    )
    page = again.pages[0]
    page.goto(f"{live_server.url}/field/")
    waits(page, 1)
    again.set_offline(False)
    hurry(page)
    waits(page, 0)
    again.close()
    assert Finding.objects.count() == 1


def test_a_whole_site_is_fine_with_one_tap(phone: Page, live_server: Any, tess: User) -> None:
    at_the_porch(phone, live_server.url)
    phone.get_by_role("link", name="Start visit").tap()
    phone.get_by_role("button", name="All inspected, no faults").tap()
    hurry(phone)
    waits(phone, 0)
    assert Inspection.objects.get().outcome == "fine"


def test_the_pages_are_in_order_small_and_quick(
    phone: Page, live_server: Any, tess: User, axe_source: str
) -> None:
    unit = at_the_porch(phone, live_server.url)
    for address in (f"{live_server.url}/field/", unit):
        phone.goto(address)
        assert overflow(phone) == 0
        assert violations(phone, axe_source) == []
    phone.context.set_offline(True)
    phone.goto(unit)
    took = phone.evaluate(
        "() => { const [page] = performance.getEntriesByType('navigation');"
        " return page.domContentLoadedEventEnd - page.startTime; }"
    )
    assert took <= 500


def test_the_first_view_on_a_poor_line(phone: Page, live_server: Any, tess: User) -> None:
    sign_in(phone, live_server.url, "tess")
    wire = phone.context.new_cdp_session(phone)
    wire.send("Network.enable")
    wire.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": 400, "downloadThroughput": 50_000, "uploadThroughput": 50_000},
    )
    phone.goto(f"{live_server.url}/field/")
    took = phone.evaluate("() => performance.getEntriesByName('first-contentful-paint')[0].startTime")
    assert took <= 3000
