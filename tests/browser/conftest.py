"""A real browser, headless, at desk width and on a phone."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from tests.browser.chromium import CHROMIUM, FLAGS

AXE = "axe.min.js"


@pytest.fixture(scope="session", autouse=True)
def _unsafe_async() -> Iterator[None]:
    """Let Django's database be used in the thread in which the browser is driven."""
    before = os.environ.get("DJANGO_ALLOW_ASYNC_UNSAFE")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    yield
    if before is None:
        del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Headless Chromium, one for the whole run."""
    if shutil.which(CHROMIUM) is None:
        pytest.skip(f"{CHROMIUM} is not installed: apt-get install chromium")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture(params=[(1280, 900), (360, 740)], ids=["desk", "phone"])
def page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    """A fresh window at each of the two widths; any error on its console fails the test."""
    width, height = request.param
    context = browser.new_context(viewport={"width": width, "height": height}, has_touch=width < 500)
    context.set_default_timeout(10_000)
    opened = context.new_page()
    errors: list[str] = []

    def heard(message: ConsoleMessage) -> None:
        if message.type == "error":
            errors.append(f"{message.text} at {message.location.get('url')}")

    opened.on("console", heard)
    opened.on("pageerror", lambda error: errors.append(str(error)))
    yield opened
    context.close()
    assert errors == []


@pytest.fixture(scope="session")
def axe_source() -> str:
    """The accessibility checker axe-core, as its Python package carries it."""
    import axe_playwright_python

    return (Path(axe_playwright_python.__file__).parent / AXE).read_text()
