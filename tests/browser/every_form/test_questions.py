"""Forms that only ask: each list's search and each figure's question, sent once in a browser."""

from __future__ import annotations

import pytest
from django.urls import reverse

from tests.browser.every_form.filling import open_what_hides
from tests.browser.every_form.stand import DESK, PHONE, Stand, Window
from tests.factories import CallFactory, FindingFactory, OwnershipFactory, TaskFactory

pytestmark = pytest.mark.browser

ASKED = (
    "calls:calls",
    "calls:log_call",
    "portal:labels",
    "office:history",
    "reports:aging",
    "reports:forecast",
    "reports:maintenance",
    "reports:compare",
    "reports:findings",
    "reports:lasting",
    "reports:log",
    "reports:rates",
    "reports:year",
    "schedules:care_by",
    "schedules:notifications",
    "schedules:plan_visit",
    "schedules:tasks",
    "schedules:visits",
    "units:customers",
    "units:sites",
    "units:units",
)


@pytest.mark.parametrize("width", [DESK, PHONE], ids=["desk", "phone"])
def test_each_question_is_answered(stand: Stand, width: tuple[int, int]) -> None:
    OwnershipFactory(site=FindingFactory().unit.site)
    CallFactory(task=TaskFactory(origin="call"))
    with stand.window("owner", width=width) as window:
        wrong = {name: said for name in ASKED for said in ask(window, name)}
    assert wrong == {}


def ask(window: Window, name: str) -> list[str]:
    """Fill in what a page asks, send it, and say what is wrong with the answer."""
    window.open(reverse(name))
    form = window.page.locator('form[method="get"]').first
    open_what_hides(form)
    for text in form.locator("input[type=search], input[type=text], input:not([type])").all():
        text.fill("1")
    window.answers.clear()
    with window.page.expect_navigation():
        form.locator("button").first.click()
    return [f"{method} {url}: {status}" for method, url, status in window.answers if status != 200]
