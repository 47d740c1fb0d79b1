"""Take the documents' pictures from the running demo: `python tests/browser/take_pictures.py ADDRESS`."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from servicedesk.demo.sources import read_scenario
from tests.browser.chromium import CHROMIUM, FLAGS

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
PICTURES = FIXTURES / "pictures"
DESK, PHONE = (1280, 900), (360, 740)
SHOTS = [
    ("unit-desk", "technician", DESK, "/units/", "tbody th a"),
    ("technician-phone", "technician", PHONE, "/", None),
    ("porch-phone", "technician", PHONE, "/field/", None),
    ("call-desk", "scheduler", DESK, "/calls/", "main table th a, main ul.cards a"),
    ("rounds-desk", "scheduler", DESK, f"/week/?week={datetime.now(UTC).date() + timedelta(days=7)}", None),
    ("due-desk", "scheduler", DESK, "/due/", None),
    ("rates-desk", "owner", DESK, "/figures/rates/", None),
    ("ahead-desk", "owner", DESK, "/figures/forecast/", None),
    ("watch-phone", "owner", PHONE, "/figures/surveillance/", None),
]
"""Name, who looks, width and height, where, and what to open there first."""


def take(browser: Browser, base: str, shot: tuple[str, str, tuple[int, int], str, str | None]) -> None:
    """Sign in as one of the demo people and take one picture."""
    name, role, (width, height), address, first = shot
    person = next(one for one in read_scenario(FIXTURES).people if one.role == role)
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    page.goto(f"{base}/sign-in/")
    page.fill("[name=username]", person.username)
    page.fill("[name=password]", person.password)
    page.click("button[type=submit]")
    page.goto(base + address)
    if first:
        page.locator(first).first.click()
        page.wait_for_load_state()
    page.screenshot(path=PICTURES / f"{name}.png")
    context.close()


def main() -> None:
    """Take every picture of ``SHOTS`` with a headless browser."""
    PICTURES.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for shot in SHOTS:
            take(browser, sys.argv[1].rstrip("/"), shot)
        browser.close()


if __name__ == "__main__":
    main()
