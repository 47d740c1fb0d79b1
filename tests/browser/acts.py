"""What people do in the browser, in words."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page

PASSWORD = "a-long-made-up-word"


def sign_in(page: Page, base: str, username: str) -> None:
    """Sign in through the form."""
    page.goto(f"{base}/sign-in/")
    page.get_by_label("Username").fill(username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{base}/")


def violations(page: Page, axe_source: str) -> list[dict[str, Any]]:
    """Ask axe-core for what breaks WCAG 2.2 AA on the page as it stands."""
    page.wait_for_load_state()
    page.evaluate("window.scrollTo(0, document.body.scrollHeight)")  # bars that stick lie over nothing there
    page.evaluate(axe_source)
    results = page.evaluate(
        """async () => (await axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa",
        "wcag22aa", "best-practice"]})).violations.map(v => ({id: v.id, help: v.help,
        nodes: v.nodes.slice(0, 3).map(n => n.html.slice(0, 200))}))"""
    )
    return list(results)


def overflow(page: Page) -> int:
    """Tell by how many pixels the page is wider than the window."""
    page.wait_for_load_state()
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))
