"""Words of 180 letters in every text people write: no page grows wider, and no ordinary word is broken."""

from __future__ import annotations

from typing import Any

import pytest
from django.db.models import CharField, Model, TextField, Value
from django.db.models.functions import Cast, Concat
from playwright.sync_api import Page

from schedules.models import MaintenanceRule, MaintenanceTask, Notification, Visit
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, Inspection, Work
from servicedesk.core.models import Batch
from servicedesk.imports.models import BatchFile, StagedProblem
from servicedesk.reports.models import LotFlag
from tests.browser.acts import overflow, sign_in
from tests.browser.test_every_page import olive, pages  # noqa: F401  (olive is a fixture)
from units.models import ComponentType, Construction, Customer, FailureMode, InstalledPart, Site, Unit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

WRITTEN: dict[type[Model], list[str]] = {
    Customer: ["name", "phone", "note"],
    Site: ["code", "address", "postcode", "access_notes"],
    Unit: ["code", "place", "crew", "note"],
    ComponentType: ["name", "aliases", "note"],
    Construction: ["name", "note"],
    FailureMode: ["name", "mechanism", "cause", "detection", "effect", "first_aid", "spares", "source"],
    InstalledPart: ["lot"],
    MaintenanceRule: ["name", "note"],
    MaintenanceTask: ["reason", "outcome"],
    Visit: ["note"],
    Notification: ["subject", "body", "why"],
    Call: ["reported_by", "phone", "words"],
    Finding: ["note", "mechanism", "cause", "made_safe_how"],
    Inspection: ["note"],
    Work: ["note"],
    User: ["name"],
    BatchFile: ["name"],
    Batch: ["problem"],
    StagedProblem: ["value", "reason"],
    LotFlag: ["lot"],
}
LONGEST = 180
BROKEN_WORDS = """() => {
  const broken = new Set();
  const walker = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    if (!node.parentElement.checkVisibility()) continue;
    if (node.parentElement.closest("svg, textarea, .unseen, .secret, .letter")) continue;  // it holds a link
    if (node.parentElement.closest("thead")?.clientWidth === 1) continue;  // shown beside each cell instead
    for (const found of node.data.matchAll(/[A-Za-z]{3,14}/g)) {
      const range = document.createRange();
      range.setStart(node, found.index);
      range.setEnd(node, found.index + found[0].length);
      const tops = new Set([...range.getClientRects()].map((box) => Math.round(box.top)));
      if (tops.size > 1) broken.add(found[0]);
    }
  }
  return [...broken];
}"""


def lengthen() -> None:
    """Put one word of 180 letters, or as many as fit, into every text that people write."""
    for model, names in WRITTEN.items():
        present = {field.name: field for field in model._meta.fields}
        for name in names:
            field = present.get(name)
            if not isinstance(field, CharField | TextField) or field.choices:
                continue
            room = min(LONGEST, field.max_length or LONGEST)
            if field.unique or name == "name":
                mark = Concat(Value("W" * (room - 6)), Cast("pk", CharField()))
                model._default_manager.update(**{name: mark})
            else:
                model._default_manager.exclude(**{name: ""}).update(**{name: "W" * room})


def test_no_word_is_too_long_for_a_page(page: Page, live_server: Any, olive: User) -> None:  # noqa: F811
    page.set_default_timeout(120_000)  # figures of the whole company are worked out anew for each page
    base = live_server.url
    sign_in(page, base, olive.username)
    addresses = pages(olive)
    broken = {}
    for address in addresses:
        page.goto(base + address)
        if words := page.evaluate(BROKEN_WORDS):
            broken[address] = words
    assert broken == {}
    lengthen()
    wide = {}
    for address in addresses:
        page.goto(base + address)
        if over := overflow(page):
            wide[address] = over
    assert wide == {}
