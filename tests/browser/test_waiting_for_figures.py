"""The page that waits for figures in a real browser: it says so, is in order, and leads on by itself."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.test import Client
from playwright.sync_api import Page

from servicedesk.accounts.models import User
from tests.browser.acts import overflow, violations
from tests.servicedesk.real_server import Server, serving
from tests.servicedesk.reports.small_fleets import Fleet

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture(scope="module")
def server(django_db_setup: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server to which every fleet is large."""
    env = {"FIGURES_APART_FROM": "1"}
    with serving(tmp_path_factory.mktemp("server"), clock=True, **env) as running:
        yield running


def test_it_leads_on_by_itself(page: Page, axe_source: str, server: Server, owner: User) -> None:
    fleet = Fleet()
    for turn in range(4):
        fleet.find(fleet.watched_part(), 500 + turn)
    client, base = Client(), f"http://127.0.0.1:{server.port}"
    client.force_login(owner)
    page.context.add_cookies(
        [{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": f"{base}/"}]
    )
    page.route("**since=**", lambda route: route.fulfill(status=204))  # until it was looked at
    page.goto(f"{base}/figures/rates/")
    assert page.title().startswith("Calculating")
    assert violations(page, axe_source) == []
    assert overflow(page) == 0
    page.unroute("**since=**")
    page.wait_for_url("**since=**", timeout=60_000)
    older = page.get_by_text("Calculated from the records as they were at")
    assert older.count() == 0
    fleet.find(fleet.watched_part(), 700)
    page.reload()
    assert older.is_visible()
    assert violations(page, axe_source) == []
    assert overflow(page) == 0
    page.goto(f"{base}/figures/year/?csv=1")
    take = page.get_by_role("link", name="Download the file")
    take.wait_for(timeout=60_000)
    with page.expect_download() as file:
        take.click()
    assert file.value.suggested_filename == "report-of-the-year.csv"
