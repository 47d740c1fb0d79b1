"""Logging a call and recording a finding by hand: what pages do while somebody types and touches."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.utils import timezone
from playwright.sync_api import Page, expect

from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Call, Finding
from tests.browser.acts import PASSWORD, overflow, sign_in, violations
from tests.factories import (
    ConstructionFactory,
    CustomerFactory,
    FailureModeFactory,
    FindingFactory,
    InstalledPartFactory,
    OwnershipFactory,
    SiteFactory,
    UnitFactory,
    UserFactory,
)
from units.models import InstalledPart, Unit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def signed_in(page: Page, live_server: Any) -> Page:
    """A technician signed in."""
    person: User = UserFactory(username="tess")
    person.set_password(PASSWORD)
    person.save()
    person.groups.add(Group.objects.get_or_create(name=Role.TECHNICIAN.value)[0])
    sign_in(page, live_server.url, "tess")
    return page


@pytest.fixture
def unit(live_server: Any) -> Unit:
    """The second of two windows of a porch, with four panels and corner keys."""
    site = SiteFactory(code="S-0001", address="14 Maple Bend")
    OwnershipFactory(site=site, customer=CustomerFactory(name="Ada Probeson", phone="555-0142"))
    built = ConstructionFactory(panel_order="equal")
    UnitFactory(code="U-0001", site=site, place="north wall")
    unit = UnitFactory(
        code="U-0002",
        site=site,
        construction=built,
        panels=4,
        width_mm="1168.4",
        height_mm="1778",
        place="east wall, first from the door",
    )
    InstalledPartFactory(unit=unit, component_type__kind="corner", pieces=16)
    return unit


@pytest.fixture
def corner_keys(unit: Unit) -> InstalledPart:
    """The corner keys of that window."""
    return unit.installed_parts.get(kind="corner")


def fits_and_is_accessible(page: Page, axe_source: str) -> None:
    """The page is no wider than the window and axe-core has nothing to say."""
    assert overflow(page) <= 0
    assert violations(page, axe_source) == []


def test_a_call_is_logged_while_the_caller_talks(
    signed_in: Page, live_server: Any, unit: Unit, axe_source: str
) -> None:
    page = signed_in
    page.goto(f"{live_server.url}/calls/log/")
    fits_and_is_accessible(page, axe_source)
    page.get_by_label("Name, street, phone or unit code").press_sequentially("u-0002")
    expect(page.get_by_text("1 place matches.")).to_be_visible()  # without pressing the button
    fits_and_is_accessible(page, axe_source)
    page.get_by_role("link", name="U-0002").click()
    expect(page.get_by_label("Reported by")).to_have_value("Ada Probeson")
    expect(page.get_by_role("radio", name="U-0002")).to_be_checked()
    page.get_by_label("What is wrong, in their words").fill("It drops when I let go.")
    caution = page.get_by_text("Ask them to leave every panel down")
    expect(caution).to_be_hidden()
    page.get_by_role("radio", name="will not stay up").check()
    expect(caution).to_be_visible()
    expect(page.get_by_role("radio", name="make safe today")).to_be_checked()
    fits_and_is_accessible(page, axe_source)
    page.get_by_role("button", name="Log the call").click()
    expect(page.get_by_role("heading", name="Somebody may get hurt here")).to_be_visible()
    fits_and_is_accessible(page, axe_source)
    call = Call.objects.get()
    assert (call.unit, call.urgency) == (unit, "make_safe")


def test_a_finding_is_picked_on_the_drawing(
    signed_in: Page, live_server: Any, unit: Unit, corner_keys: InstalledPart, axe_source: str
) -> None:
    page = signed_in
    cracked = FailureModeFactory(kind="corner", name="cracked")
    before = FindingFactory(
        installed_part=corner_keys, mode=cracked, found_on=timezone.localdate() - timedelta(days=3)
    )
    page.goto(f"{live_server.url}/calls/units/{unit.pk}/findings/add/")
    fits_and_is_accessible(page, axe_source)
    panel, corner = page.get_by_role("combobox", name="Panel"), page.get_by_role("combobox", name="Corner")

    page.locator("svg rect[data-panel='3']:not([data-corner])").click()
    expect(panel).to_have_value("3")
    expect(corner).to_have_value("")
    expect(page.locator("#picked")).to_have_text("Chosen: panel 3.")

    page.locator("svg rect[data-panel='2']:not([data-corner])").click()
    page.locator("svg [data-panel='2'][data-corner='UL']").click()
    expect(panel).to_have_value("2")
    expect(corner).to_have_value("UL")
    expect(page.locator("svg .picked")).to_have_count(1)

    corner.select_option("UR")  # the drawing follows the fields too
    expect(page.locator("svg [data-shows='2 UR']")).to_have_class("picked")

    question = page.get_by_role("group", name="Is it the same fault as before?")
    expect(question).to_be_hidden()
    page.get_by_label("What is wrong").select_option("cracked")
    expect(question).to_be_visible()
    question.get_by_role("radio", name="Yes, it is the one found on").check()

    safe = page.get_by_label("What made it safe")
    expect(safe).to_be_hidden()
    page.get_by_role("radio", name="unsafe").check()
    safe.fill("panel taken down")
    fits_and_is_accessible(page, axe_source)
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_url(f"{live_server.url}{unit.get_absolute_url()}")
    finding = Finding.objects.latest("pk")
    assert (finding.panel, finding.corner, finding.installed_part) == (2, "UR", corner_keys)
    assert (finding.continues, finding.made_safe_how) == (before, "panel taken down")


def test_touching_the_same_place_again_takes_it_back(signed_in: Page, live_server: Any, unit: Unit) -> None:
    page = signed_in
    page.goto(f"{live_server.url}/calls/units/{unit.pk}/findings/add/")
    panel = page.locator("svg rect[data-panel='1']:not([data-corner])")
    corner = page.locator("svg [data-panel='1'][data-corner='LL']")
    panel.click()
    corner.click()
    expect(page.get_by_role("combobox", name="Corner")).to_have_value("LL")
    corner.click()
    expect(page.get_by_role("combobox", name="Corner")).to_have_value("")
    expect(page.get_by_role("combobox", name="Panel")).to_have_value("1")
    panel.click()
    expect(page.get_by_role("combobox", name="Panel")).to_have_value("")


def test_work_asks_only_for_what_the_kind_of_work_needs(
    signed_in: Page, live_server: Any, unit: Unit, axe_source: str
) -> None:
    page = signed_in
    page.goto(f"{live_server.url}/calls/units/{unit.pk}/works/add/")
    maker, new, panel = (
        page.get_by_label("The maker of the liner says so"),
        page.get_by_label("New part", exact=True),
        page.get_by_label("Which panel"),
    )
    for hidden in (maker, new, panel):
        expect(hidden).to_be_hidden()
    page.get_by_role("radio", name="lubricated").check()
    expect(maker).to_be_visible()
    fits_and_is_accessible(page, axe_source)
    page.get_by_role("radio", name="replaced").check()
    expect(maker).to_be_hidden()
    expect(new).to_be_hidden()
    page.get_by_role("radio", name="Whole set").check()
    expect(new).to_be_visible()
    expect(panel).to_be_hidden()
    page.get_by_role("radio", name="One panel").check()
    expect(panel).to_be_visible()
    fits_and_is_accessible(page, axe_source)
