"""Two people with one form open, each in a browser of their own: both see what the other stored."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.contrib.auth.models import Group
from playwright.sync_api import Browser, Page, expect

from servicedesk.accounts.models import Role, User
from tests.browser.acts import PASSWORD, sign_in, violations
from tests.factories import SiteFactory, UserFactory
from units.models import Site

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def two(browser: Browser, live_server: Any) -> Iterator[list[Page]]:
    """Two schedulers: one at a desk, one on a phone."""
    contexts = [browser.new_context(viewport={"width": width, "height": 800}) for width in (1280, 360)]
    pages = []
    for context, username, name in zip(contexts, ("ann", "bob"), ("Ann Testly", "Bob Testly"), strict=True):
        person: User = UserFactory(username=username, name=name)
        person.set_password(PASSWORD)
        person.save()
        person.groups.add(Group.objects.get_or_create(name=Role.SCHEDULER.value)[0])
        context.set_default_timeout(60_000)
        pages.append(context.new_page())
        sign_in(pages[-1], live_server.url, username)
    yield pages
    for context in contexts:
        context.close()


def test_two_schedulers_change_one_site(two: list[Page], live_server: Any, axe_source: str) -> None:
    site: Site = SiteFactory(address="14 Maple Bend", postcode="21401", access_notes="Gate on the left")
    ann, bob = two
    for page in two:
        page.goto(f"{live_server.url}/sites/{site.pk}/change/")
    ann.get_by_label("Address").fill("14 Maple Bend, rear house")
    ann.get_by_label("Access notes").fill("Gate on the right\nThe dog is tame")
    ann.get_by_role("button", name="Save", exact=True).click()
    expect(ann.get_by_text("Saved.")).to_be_visible()
    bob.get_by_label("Access notes").fill("Ring at number 16")
    bob.get_by_role("button", name="Save", exact=True).click()
    wrongs = bob.locator(".wrongs")
    expect(wrongs).to_contain_text("Ann Testly")
    expect(wrongs).to_contain_text("saved “14 Maple Bend, rear house” here meanwhile")
    expect(wrongs).to_contain_text("What you typed is still in the field")
    expect(bob.get_by_label("Address")).to_have_value("14 Maple Bend, rear house")
    expect(bob.get_by_label("Access notes")).to_have_value("Ring at number 16")
    assert violations(bob, axe_source) == []
    site.refresh_from_db()
    assert site.access_notes.splitlines() == ["Gate on the right", "The dog is tame"]
    bob.get_by_role("button", name="Save", exact=True).click()
    expect(bob.get_by_text("Saved.")).to_be_visible()
    site.refresh_from_db()
    assert (site.address, site.access_notes) == ("14 Maple Bend, rear house", "Ring at number 16")
