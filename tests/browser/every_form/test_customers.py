"""What customers do on their pages without sign-in, to its end: the record, the mail, the calendar entry."""

from __future__ import annotations

import os
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import expect

from schedules.models import CustomerAnswer, Visit
from schedules.operations.calendars import make_link
from servicedesk.calls.models import Call, Photo
from servicedesk.calls.photo_files import MOST_BYTES
from servicedesk.core.values.dates import clock_time
from tests.browser.every_form.stand import DESK, PHONE, Stand, Window
from tests.factories import UnitFactory
from tests.faults.sent_records import report_address, visit_ahead
from units.labels import labels_for

pytestmark = pytest.mark.browser

CUSTOMER = "ida@customer.example"
MB = 1024 * 1024


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def width(request: pytest.FixtureRequest) -> tuple[int, int]:
    """A window at either width."""
    size: tuple[int, int] = request.param
    return size


@pytest.fixture
def visit(stand: Stand) -> Visit:
    """A proposed visit to come, of one technician."""
    made: Visit = visit_ahead()
    return made


def page_of(visit: Visit) -> str:
    """Give the address of a visit's page."""
    return f"/your-visit/{report_address(visit)}/"


def sticker() -> str:
    """Give the address behind the sticker of a unit."""
    return f"/w/{labels_for([UnitFactory()], by=None, at=timezone.now())[0].code}/"


def photo_of(megabytes: int, folder: Path) -> Path:
    """Make a photo of about so many megabytes, as phones make them."""
    side = int((megabytes * MB / 1.3) ** 0.5)
    content = BytesIO()
    Image.frombytes("RGB", (side, side), os.urandom(side * side * 3)).save(content, "JPEG", quality=95)
    path = folder / f"{megabytes}.jpg"
    path.write_bytes(content.getvalue())
    return path


def no_photo_of(megabytes: int, folder: Path) -> Path:
    """Make a file of so many megabytes."""
    path = folder / f"{megabytes}.jpg"
    path.write_bytes(os.urandom(megabytes * MB))
    return path


def feed_of(window: Window, visit: Visit) -> str:
    """Read the calendar of the one who goes."""
    person = visit.technicians.get()
    _, secret = make_link(person, by=person, at=timezone.now())
    text: str = window.page.evaluate(
        "path => fetch(path).then(answer => answer.text())", f"/calendar/{secret}.ics"
    )
    return text.replace("\r\n ", "")


def mail_about(stand: Stand, visit: Visit) -> bool:
    """Let the clock send what is due, and look for the mail with the day and time of a visit."""
    stand.send_notifications()
    start = visit.local_start
    bodies = [str(mail.get_body(("plain",))) for mail in stand.notifications_to(CUSTOMER)]
    return any(clock_time(start) in body and f"{start:%B}" in body for body in bodies)


def test_it_suits(stand: Stand, visit: Visit, width: tuple[int, int]) -> None:
    with stand.window(width=width) as window:
        window.open(page_of(visit))
        window.page.get_by_role("button", name="Yes, it suits me").click()
        expect(window.page.get_by_role("status")).to_have_text("Thank you. We have noted that it suits you.")
        assert window.heading.startswith("We are coming on")
        visit.refresh_from_db()
        assert visit.state == Visit.State.CONFIRMED
        assert CustomerAnswer.objects.get().said == "suits"
        assert mail_about(stand, visit)
        feed = feed_of(window, visit)
    assert "STATUS:CONFIRMED" in feed
    assert f"{visit.starts_at:%Y%m%dT%H%M%S}Z" in feed


def test_another_time(stand: Stand, visit: Visit, width: tuple[int, int]) -> None:
    before = visit.starts_at
    with stand.window(width=width) as window:
        window.open(page_of(visit))
        window.page.locator("label.choice").nth(2).click()
        window.page.get_by_role("button", name="Come at this time instead").click()
        expect(window.page.get_by_role("status")).to_contain_text("Thank you. The visit is moved to")
        visit.refresh_from_db()
        assert visit.starts_at != before
        assert visit.state == Visit.State.CONFIRMED
        assert mail_about(stand, visit)
        assert f"{visit.starts_at:%Y%m%dT%H%M%S}Z" in feed_of(window, visit)


def tell(window: Window, words: str, photo: Path | None = None) -> None:
    """Say what is wrong, with a photo, and send it."""
    page = window.page
    if folded := page.get_by_text("Tell us what is wrong").all():
        folded[0].click()
    page.locator("textarea").last.fill(words)
    if photo is not None:
        page.locator("input[type=file]").set_input_files(photo)
    page.get_by_role("button", name="Send", exact=True).last.click()
    page.wait_for_load_state()


@pytest.fixture(params=["visit", "sticker"])
def path(request: pytest.FixtureRequest, stand: Stand) -> str:
    """Either of the pages that take a photo from people without sign-in."""
    return page_of(visit_ahead()) if request.param == "visit" else sticker()


def test_a_problem_with_a_photo_of_a_usual_phone(
    stand: Stand, path: str, width: tuple[int, int], tmp_path: Path
) -> None:
    photo = photo_of(9, tmp_path)
    assert photo.stat().st_size > 6 * MB
    with stand.window(width=width) as window:
        window.open(path)
        tell(window, "Panel 2 sticks", photo)
        expect(window.page.get_by_role("status")).to_have_text("Thank you. We have it on our list.")
    call = Call.objects.get(words="Panel 2 sticks")
    assert stand.photo_path(Photo.objects.get(call=call)).is_file()


def test_a_photo_too_large_is_not_sent_and_the_words_stay(
    stand: Stand, path: str, width: tuple[int, int], tmp_path: Path
) -> None:
    with stand.window(width=width) as window:
        window.open(path)
        tell(window, "Panel 2 sticks", no_photo_of(40, tmp_path))
        alert = window.page.locator("[data-too-large]")
        expect(alert).to_contain_text("This file has 40 MB, and 25 MB are the most.")
        assert [method for method, _, _ in window.answers] == ["GET"]
        window.page.locator("input[type=file]").set_input_files(photo_of(1, tmp_path))
        expect(alert).to_have_count(0)
        window.page.get_by_role("button", name="Send", exact=True).last.click()
        expect(window.page.get_by_role("status")).to_have_text("Thank you. We have it on our list.")
    assert Call.objects.get().words == "Panel 2 sticks"
    assert Photo.objects.count() == 1


def test_without_scripts_the_words_come_back_beside_a_sentence(
    stand: Stand, path: str, tmp_path: Path
) -> None:
    with stand.window(width=PHONE, java_script_enabled=False) as window:
        window.open(path)
        tell(window, "Panel 2 sticks", no_photo_of(28, tmp_path))
        assert window.answers[-1][2] == 422
        expect(window.page.locator("p.wrong")).to_have_text(
            "This photo has more than 25 MB: send a smaller one."
        )
        assert window.page.locator("textarea").last.input_value() == "Panel 2 sticks"
    assert not Call.objects.exists()


def test_what_the_web_server_refuses_itself_is_a_page_too(stand: Stand, path: str, tmp_path: Path) -> None:
    with stand.window(width=PHONE, java_script_enabled=False) as window:
        window.open(path)
        tell(window, "Panel 2 sticks", no_photo_of(40, tmp_path))
        assert window.answers[-1][2] == 413
        assert window.heading == "That is too large to send"
        speaks_to_a_customer(window)
        window.page.go_back()
        assert "Panel 2 sticks" in [box.input_value() for box in window.page.locator("textarea").all()]


def speaks_to_a_customer(window: Window) -> None:
    """Look that a page names the company and its telephone, and leads nowhere into the desk."""
    page = window.page.locator("body")
    expect(page).to_contain_text("Porch Window Works")
    expect(page).to_contain_text("555-0100")
    links = [str(link.get_attribute("href")) for link in window.page.locator("a").all()]
    assert [link for link in links if not link.startswith(("tel:", "#", "/w/", "/your-visit/"))] == []


@pytest.mark.parametrize("path", ["/your-visit/old/", "/w/gone/", "/your-mail/old/", "/nothing-here/"])
def test_a_link_that_opens_nothing_speaks_to_a_customer(stand: Stand, path: str) -> None:
    with stand.window(width=PHONE) as window:
        window.open(path, status=404)
        assert window.heading == "This page is no longer here"
        speaks_to_a_customer(window)


def test_the_secret_of_an_address_reaches_no_other_site(stand: Stand, path: str) -> None:
    with stand.window() as window:
        sent: list[dict[str, Any]] = []
        window.page.route(
            "https://elsewhere.example/**",
            lambda route: (
                sent.append(route.request.all_headers()),
                route.fulfill(body="x", content_type="text/html"),
            ),
        )
        window.open(path)
        window.page.evaluate(
            "() => { const link = document.createElement('a'); link.href = 'https://elsewhere.example/';"
            " link.textContent = 'x'; document.body.append(link); link.click(); }"
        )
        window.page.wait_for_url("https://elsewhere.example/")
    assert len(sent) == 1
    assert "referer" not in sent[0]


def test_the_desk_takes_what_a_usual_phone_makes() -> None:
    assert MOST_BYTES >= 20 * MB
