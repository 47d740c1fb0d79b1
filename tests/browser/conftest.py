"""A real browser, headless, at desk width and on a phone."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Browser, ConsoleMessage, Page, Playwright, expect, sync_playwright

from servicedesk.accounts.models import Role, User
from tests.browser.acts import PASSWORD
from tests.browser.chromium import CHROMIUM, FLAGS, PHONE
from tests.factories import (
    ComponentTypeFactory,
    FailureModeFactory,
    InstalledPartFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    UserFactory,
    VisitFactory,
)

AXE = "axe.min.js"

expect.set_options(timeout=20_000)  # two browsers on two busy cores need more than the usual five seconds


@pytest.fixture(scope="session", autouse=True)
def _unsafe_async() -> Iterator[None]:
    """Let Django's database be used in the thread in which the browser is driven."""
    before = os.environ.get("DJANGO_ALLOW_ASYNC_UNSAFE")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    yield
    if before is None:
        del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture(scope="session")
def playwright() -> Iterator[Playwright]:
    """Playwright, started once for the session; a process can have only one."""
    if shutil.which(CHROMIUM) is None:
        pytest.skip(f"{CHROMIUM} is not installed: apt-get install chromium")
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="session")
def browser(playwright: Playwright) -> Iterator[Browser]:
    """Headless Chromium, one for the whole run."""
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


@pytest.fixture
def tess(live_server: Any) -> User:
    """A technician with a visit today to a unit of three panels."""
    person: User = UserFactory(username="tess", name="Testa Porch")
    person.set_password(PASSWORD)
    person.save()
    person.groups.add(Group.objects.get_or_create(name=Role.TECHNICIAN.value)[0])
    unit = UnitFactory(code="U-1", site=SiteFactory(code="S-1"), panels=3, width_mm=900, height_mm=1400)
    track = ComponentTypeFactory(name="bare track", kind="track")
    InstalledPartFactory(unit=unit, component_type=track)
    for code, name in (("TRK-01", "binds"), ("TRK-02", "worn")):
        FailureModeFactory(code=code, kind="track", name=name)
    noon = timezone.localtime().replace(hour=12, minute=0, second=0, microsecond=0)
    visit = VisitFactory(site=unit.site, starts_at=noon, ends_at=noon + timedelta(hours=1), state="confirmed")
    visit.technicians.add(person)
    task = TaskFactory(unit=unit, reason="Lubricate the track", state="in-process")
    visit.visit_tasks.create(task=task)
    return person


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    """A phone with touch."""
    context = browser.new_context(viewport=PHONE, has_touch=True)  # type: ignore[arg-type]
    context.set_default_timeout(15_000)
    yield context.new_page()
    context.close()


@pytest.fixture(scope="session")
def small_jpeg() -> bytes:
    """A photo as a phone makes it, only smaller."""
    content = BytesIO()
    Image.effect_noise((640, 480), 40).convert("RGB").save(content, "JPEG", quality=80)
    return content.getvalue()
