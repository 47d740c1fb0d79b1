"""The homes of all three roles in a real browser: every open danger, before anything else."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.utils import timezone
from playwright.sync_api import Page, expect

from schedules.operations import plan_visit
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Call
from servicedesk.calls.operations import log_call, note_made_safe
from tests.browser.acts import PASSWORD, overflow, sign_in, violations
from tests.factories import SiteFactory, UnitFactory, UserFactory
from units.models import Site

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def person(username: str, role: Role) -> User:
    """Give somebody who can sign in."""
    made: User = UserFactory(username=username, name=f"{username.title()} Testperson")
    made.set_password(PASSWORD)
    made.save()
    made.groups.add(Group.objects.get_or_create(name=role.value)[0])
    return made


def danger_at(site: Site) -> Call:
    """Log a call about broken glass."""
    call = Call(site=site, symptom="glass", urgency="", phone="555-0161", unit=UnitFactory(site=site))
    return log_call(call, answers={}, by=None, at=timezone.now())


@pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.SCHEDULER, Role.OWNER])
def test_each_home_leads_with_the_open_dangers(
    page: Page, live_server: Any, axe_source: str, role: Role
) -> None:
    person("tess", role)
    sites = {name: SiteFactory(address=f"{name} Lane") for name in ("Alone", "Planned", "Safe")}
    calls = {name: danger_at(site) for name, site in sites.items()}
    note_made_safe(calls["Safe"].safety_answers.get(answer="yes"), how="boarded", by=None, at=timezone.now())
    goes = person("gus", Role.TECHNICIAN)
    begins = (timezone.localtime() + timedelta(days=1)).replace(hour=10, minute=0, second=0, microsecond=0)
    while begins.weekday() > 4:
        begins += timedelta(days=1)
    task = calls["Planned"].task
    assert task is not None
    plan_visit(
        sites["Planned"], starts_at=begins, technicians=[goes], tasks=[task], by=None, at=timezone.now()
    )
    sign_in(page, live_server.url, "tess")
    boxes = page.locator("main .caution")
    expect(boxes).to_have_count(2)
    expect(boxes.nth(0).get_by_role("heading")).to_contain_text("MAKE SAFE: Alone Lane")
    expect(boxes.nth(0)).to_contain_text("No visit is planned.")
    expect(boxes.nth(1).get_by_role("heading")).to_contain_text("MAKE SAFE: Planned Lane")
    expect(boxes.nth(1)).to_contain_text("Gus Testperson")
    expect(boxes.nth(0).get_by_role("link", name="555-0161")).to_have_attribute("href", "tel:5550161")
    heading = page.get_by_role("heading", level=1).bounding_box()
    first = boxes.nth(0).bounding_box()
    others = [box.bounding_box() for box in page.locator("main h2, main .button").all()]
    assert first
    assert heading
    assert heading["y"] < first["y"] <= min(box["y"] for box in others if box)
    assert overflow(page) == 0
    assert violations(page, axe_source) == []
    boxes.nth(0).get_by_role("link", name="MAKE SAFE").click()
    page.get_by_label("What made it safe").fill("boarded up")
    page.get_by_role("button", name="Mark as made safe").click()
    expect(page.get_by_text("Marked as made safe.")).to_be_visible()
    page.goto(live_server.url)
    expect(page.locator("main .caution")).to_have_count(1)
