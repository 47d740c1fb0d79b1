"""Every page of the demo company, at desk width and on a phone: nothing overflows, axe-core finds nothing,
no link is dead, and nothing is told on the console."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Page

from schedules.models import CareRule
from servicedesk.people.models import Role, User
from tests.browser.acts import PASSWORD, overflow, sign_in, violations
from tests.test_pages import ALL, OPEN, arguments
from units.models import ComponentType

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def olive(live_server: Any) -> User:
    """The owner of the demo company."""
    call_command("load_reference", verbosity=0)
    call_command("load_demo", today=date(2026, 11, 25), verbosity=0)
    call_command("watch_lots")
    person = User.objects.with_role(Role.OWNER).order_by("pk")[0]
    person.set_password(PASSWORD)
    person.save()
    return person


def pages(person: User) -> list[str]:
    """The addresses that answer a plain request with a page."""
    client = Client()
    client.force_login(person)
    found = []
    for name, pattern in sorted(ALL.items()):
        if name in OPEN:
            continue
        address = reverse(name, kwargs=arguments(pattern, name))
        answer = client.get(address)
        if answer.status_code == 200 and answer["Content-Type"].startswith("text/html"):
            found.append(address)
    return [*found, *questions()]


def questions() -> list[str]:
    """Pages that show more when something is asked of them."""
    rule = CareRule.objects.get(component_type__name="bare aluminium stepped track", work="lubricated")
    one, other = ComponentType.objects.filter(kind="track").order_by("name")[:2]
    return [
        reverse("reports:care", query={"rule": rule.pk}),
        reverse("reports:compare", query={"one": one.pk, "other": other.pk}),
        reverse("reports:rates", query={"by": "lot"}),
    ]


def test_every_page_is_in_order(page: Page, live_server: Any, olive: User, axe_source: str) -> None:
    base = live_server.url
    sign_in(page, base, olive.username)
    wrong: dict[str, Any] = {}
    links: set[str] = set()
    for address in pages(olive):
        page.goto(base + address)
        if over := overflow(page):
            wrong[f"{address} is too wide"] = over
        if found := violations(page, axe_source):
            wrong[f"{address} for axe-core"] = found
        if (headings := page.locator("h1").count()) != 1:
            wrong[f"{address} has headings of the first rank"] = headings
        links |= set(
            page.eval_on_selector_all("a[href^='/']", "links => links.map(a => a.getAttribute('href'))")
        )
    client = Client()
    client.force_login(olive)
    for link in sorted(links):
        status = client.get(link.split("#")[0]).status_code
        if status >= 400:
            wrong[f"{link} is dead"] = status
    assert wrong == {}
