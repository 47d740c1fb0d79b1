"""Every page of the demo company, at desk width and on a phone: nothing overflows, axe-core finds nothing,
no link is dead, and nothing is told on the console."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Page

from schedules.models import MaintenanceRule, Visit
from schedules.notifications.links import VisitKey, opt_out_token, visit_token
from servicedesk.accounts.models import Role, User
from tests.browser.acts import PASSWORD, overflow, sign_in, violations
from tests.every_address import ALL, OPEN, address_of, shown_records
from units.models import ComponentType

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def olive(demo_copy: None, live_server: Any) -> User:
    """The owner of the demo company."""
    person = User.objects.with_role(Role.OWNER).order_by("pk")[0]
    person.set_password(PASSWORD)
    person.save()
    return person


def pages(person: User) -> list[str]:
    """The addresses that answer a plain request with a page."""
    client = Client()
    client.force_login(person)
    addresses, records = [], shown_records()
    for name in sorted(ALL):
        if name in OPEN:
            continue
        address = address_of(name, records)
        answer = client.get(address)
        if answer.status_code == 200 and answer["Content-Type"].startswith("text/html"):
            addresses.append(address)
    return [*addresses, *questions()]


def questions() -> list[str]:
    """Pages that show more when something is asked of them."""
    rule = MaintenanceRule.objects.get(component_type__name="bare aluminum stepped track", work="lubricated")
    one, other = ComponentType.objects.filter(kind="track").order_by("name")[:2]
    return [
        reverse("reports:maintenance", query={"rule": rule.pk}),
        reverse("reports:compare", query={"one": one.pk, "other": other.pk}),
        reverse("reports:rates", query={"by": "lot"}),
        reverse("schedules:week_sheet", query={"week": "2026-11-30"}),
        *of_customers(),
    ]


def of_customers() -> list[str]:
    """Pages that customers open from a letter."""
    visit = Visit.objects.filter(planned_by__isnull=False, site__ownerships__until_on=None).order_by("pk")[0]
    customer = visit.site.ownerships.get(until_on=None).customer_id
    return [
        reverse("portal:customer_visit", args=[visit_token(VisitKey(visit.pk, customer))]),
        reverse("portal:email_preference", args=[opt_out_token(customer)]),
    ]


def dead_ones(links: set[str], person: User) -> dict[str, Any]:
    """Follow links, and give those that lead somebody nowhere."""
    client = Client()
    client.force_login(person)
    statuses = {link: client.get(link.split("#")[0]).status_code for link in sorted(links)}
    return {f"{link} is dead": status for link, status in statuses.items() if status >= 400}


def test_every_page_is_in_order(page: Page, live_server: Any, olive: User, axe_source: str) -> None:
    base = live_server.url
    sign_in(page, base, olive.username)
    wrong: dict[str, Any] = {}
    links: set[str] = set()
    for address in pages(olive):
        page.goto(base + address)
        if over := overflow(page):
            wrong[f"{address} is too wide"] = over
        if broken_rules := violations(page, axe_source):
            wrong[f"{address} for axe-core"] = broken_rules
        if (headings := page.locator("h1").count()) != 1:
            wrong[f"{address} has headings of the first rank"] = headings
        links |= set(
            page.eval_on_selector_all("a[href^='/']", "links => links.map(a => a.getAttribute('href'))")
        )
    if page.viewport_size and page.viewport_size["width"] > 500:  # a phone is given the same links
        wrong |= dead_ones(links, olive)
    assert wrong == {}
